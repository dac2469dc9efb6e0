"""STAGE Parts, region -> Nest: where each copy of each part lies on the billet."""

from pipeline.nest.place import place_parts

__all__ = ["place_parts"]
