"""STAGE Parts, region -> Nest: where each copy of each part lies on the billet; and what is left of it then."""

from pipeline.nest.place import place_parts
from pipeline.nest.remnant import find_remnant

__all__ = ["find_remnant", "place_parts"]
