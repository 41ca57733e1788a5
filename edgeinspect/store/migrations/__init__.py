"""How the tables came to be, step by step (Alembic).

A new step: change schema.py, write versions/<next number>_<words>.py as the last one is written, and raise HEAD in
database.py. Two tests compare the steps with the schema and with HEAD. A field added to a record needs no step, only a
default: older records are read with it.
"""
