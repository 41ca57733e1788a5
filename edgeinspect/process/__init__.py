"""What to change: limits tried on stored numbers, and the risks of a limit. Pure functions of arrays."""
