"""STAGE requests -> parts: each family's solid drawn, checked, written down and meshed. Import it as

    from pipeline.solids import build_parts

The modelling kernel is loaded when the first part is drawn, not before.
"""

from pipeline.solids.build import build_parts

__all__ = ["build_parts"]
