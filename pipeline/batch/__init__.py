"""The only writer of output folders."""
