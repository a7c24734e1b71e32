"""What paints the views on the screen."""
