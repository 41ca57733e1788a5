"""Pictures with known truth: a ray tracer for people, a fast renderer for statistics. Its camera maths is its own
(never measure/).
"""
