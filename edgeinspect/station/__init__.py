"""Run one shell: set-up, pictures in, the one place that knows the order."""
