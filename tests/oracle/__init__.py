"""A second opinion on programs, for the sabotage suite: slow, plain, and with nothing in common with the verifier.

`reader` carries a program out (its own words, its own state), `stamping` presses the cutter's shape into points of the
stock at small steps along every path, `probes` says where stock must and must not be, `harm` names what went wrong.
Only the model's data types are shared with the product; none of its reading, removal or judging is imported.
"""
