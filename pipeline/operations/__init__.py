"""STAGE Setup + shop -> Plan: what is done to each feature, with which cutter, in which order, along which path."""

from pipeline.operations.plan import plan_toolpaths

__all__ = ["plan_toolpaths"]
