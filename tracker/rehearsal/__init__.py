"""A simulated crew plays a plan, for practice and for the demo."""
