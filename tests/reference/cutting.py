"""Outside values for speeds, feeds, drilling and boring, each with its source.

A row: (inputs, expected). Relative tolerance is 1e-6 unless the row says otherwise: the values are closed forms
computed apart from the project's code. MH: Machinery's Handbook, speeds and feeds (from memory).
"""

REL = 1e-6
MM_PER_INCH = 25.4
MM_MIN_PER_FT_MIN = 0.3048  # m/min per ft/min

# n = 12 V / (pi D), V ft/min, D in -> rev/min. MH.
RPM_INCH = (((120, 0.25), 1833.46494), ((120, 0.125), 3666.92989), ((120, 0.0625), 7333.85978))
# n = 1000 vc / (pi D), vc m/min, D mm -> rev/min. MH.
RPM_METRIC = ((40, 6), 2122.06591)
# Effective surface speed, ft/min, of a 1/32 in cutter when the spindle tops out at 10000 rpm. MH.
CLAMPED_FT_MIN = ((10000, 0.03125), 81.8123087)
# vf = n z fz, in/min. MH.
FEED_INCH = ((3666.92989, 4, 0.0005), 7.33385978)
# Radial chip thinning 1 / (2 sqrt(q (1 - q))), q = ae / D up to 0.5. MH; geometry of the circle.
CHIP_THINNING = ((0.05, 2.29415734), (0.1, 1.66666667), (0.2, 1.25), (0.3, 1.09108945), (0.5, 1.0))
# hmax = fz 2 sqrt(q (1 - q)), mm: (fz, q). Geometry.
THICKEST_CHIP = ((0.0127, 0.1), 0.00762)
# Least chip before rubbing: 0.3 edge radii (0.005 mm edge), 0.005 mm when unknown. Common practice, no source.
LEAST_CHIP_MM = (0.0015, 0.005)
# Drop per turn of a helix pi Dp tan(angle): (Dp in, degrees) -> in; and the angle from the pitch, degrees. Geometry.
HELIX_PITCH_IN = ((0.125, 2.0), 0.0137133541)
HELIX_ANGLE_DEG = ((0.125, 0.02), 2.91553104)
# Centre feed F (R - r) / R inside, F (R + r) / R outside, F (Dh - d) / Dh in a helical bore. MH.
ARC_INSIDE = ((10.0, 0.25, 0.125), 5.0)
ARC_OUTSIDE = ((10.0, 0.25, 0.125), 15.0)
BORE_FEED = ((10.0, 0.25, 0.125), 5.0)
# Starting values in Ti-6Al-4V, coated carbide, flood: ft/min and in/tooth. Common practice, no source.
TITANIUM_START = {
    0.0625: ((100, 180), (0.0002, 0.0004)),
    0.125: ((100, 200), (0.0004, 0.0008)),
    0.25: ((120, 250), (0.0008, 0.0015)),
}
# Cobalt drill, alpha-beta titanium: m/min. El-Hofy, Fundamentals of Machining Processes, 2nd ed., table 5.4 (read).
COBALT_DRILL_M_MIN = 12
# Drill feed in titanium, 0.089 in: in/rev. Common practice, no source.
DRILL_FEED_IN = (0.089, (0.00045, 0.0011))

# Point length over diameter 1 / (2 tan(angle / 2)). MH; geometry.
DRILL_POINT = ((90, 0.5), (118, 0.30043031), (120, 0.288675135), (135, 0.207106781), (140, 0.181985117))
# #43, 118 degrees: point length, in. Geometry.
POINT_43_IN = ((0.089, 118), 0.0267382975)
# Z of a through hole -(t + point + break-through), in: (t, d, degrees, break-through). Geometry.
DRILL_THROUGH_IN = ((0.16, 0.089, 118, 0.02), -0.206738298)
# Volume of a drilled hole, full depth H to the shoulder, mm3: (d, H, degrees). Geometry.
BLIND_VOLUME = ((2.2606, 5.0, 118), 20.9767723)
# Bottoms of G83 R0.2 Z-1.1 Q0.21, in, absolute 1e-9. NISTIR 6556 section 3.5.16 (read); arithmetic.
PECK_BOTTOMS = ((0.2, -1.1, 0.21), (-0.01, -0.22, -0.43, -0.64, -0.85, -1.06, -1.1))
PECK_COUNT = ((1.3, 0.21), 7)
# Depth of a 90 degree spot drill for a mouth of 0.13 in. Geometry.
SPOT_DEPTH_IN = ((0.13, 90), 0.065)
# Path of a helical bore with one flat turn, mm: (Dh, d, pitch, depth). Geometry.
BORE_PATH = ((6.0, 3.0, 0.25, 4.0), 160.274268)
# Post left when Dh > 2 d, mm. Geometry.
BORE_POST = ((8.0, 3.0), 2.0)
