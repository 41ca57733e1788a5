"""Questions put to the record: what other limits, or the program of today, would have said. Nothing is changed."""
