"""What each region of the screen says, as lines of styled text: pure functions, no screen library."""
