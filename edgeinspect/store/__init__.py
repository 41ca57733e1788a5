"""The record: inspections in SQLite, pictures and ribbons in files beside it. What is not on disk is not shown."""
