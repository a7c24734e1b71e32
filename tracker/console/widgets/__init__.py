"""The regions of the screens, one file each."""
