"""The shop's own figures: strict reading of configs/, and what follows from cutter, material and machine.

Import what is needed from its module (`pipeline.shop.files`, `pipeline.shop.cutting`): this file stays empty so that
the checker, which may use the limits, does not load the reading.
"""
