"""The screens: the desk and the view of the lead."""
