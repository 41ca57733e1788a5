"""What the shell should be: definition, tolerances, files."""
