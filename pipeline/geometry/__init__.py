"""Pure functions of plane shape: `paths` (lines and arcs to travel along), `arcs` (arc fitting), `offsets` (areas;
the one wrapper of shapely). Import the modules themselves; this file stays light."""
