"""The view in three dimensions on the page."""
