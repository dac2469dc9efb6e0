"""Dimensioned drawings of single parts."""
