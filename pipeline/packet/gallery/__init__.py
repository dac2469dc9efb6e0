"""The overview page over many packets."""
