"""The pages: what a station shows, one record per page, each with its JSON twin."""
