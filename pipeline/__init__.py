"""From a job file to a checked program and a shop packet. Read `pipeline/stages.py` first."""
