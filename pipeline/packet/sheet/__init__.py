"""The setup sheet, for paper."""
