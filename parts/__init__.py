"""Part families: one file, one family. Files that start with an underscore are shared forms, not families."""
