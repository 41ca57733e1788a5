"""The record: every inspection in SQLite, its pictures and ribbons in files beside it. What is not on disk is not shown."""
