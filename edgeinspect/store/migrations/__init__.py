"""How the tables came to be, step by step (Alembic). A new step: see DEVELOPERS.md."""
