"""STAGE Plan + Setup -> Program: RS274/NGC text, with an index back to operations and passes."""

from __future__ import annotations

from pipeline.gcode.write import mark_status, write_program

__all__ = ["mark_status", "write_program"]
