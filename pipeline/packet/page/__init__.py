"""The page a machinist works from."""
