"""How events become progress: the state, one small effect a kind, and the rules of a running plan."""
