"""How far the gauge itself can be trusted."""
