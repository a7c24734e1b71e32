"""The commands: one file a verb, each importing what it needs only when it is called."""
