"""What the simulated cutting worked out, for the packet: loads over time, the hold, parts as cut, measured features."""
