"""What will happen: pace, scenarios, limits, the estimate and the advice."""
