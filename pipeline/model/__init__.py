"""Vocabulary: frozen types that check themselves. Lengths in mm, angles in rad, times in s, feeds in mm/min.

Import from the module that holds the word: `from pipeline.model.frames import Pose`.
"""
