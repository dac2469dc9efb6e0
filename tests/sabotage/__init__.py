"""Programs, ways to spoil them in one place, and ways to rewrite them that change nothing.

`programs` makes the clean ones; `words`, `modes`, `geometry`, `process` and `shop` hold the classes of mutants;
`rewrites` and `motion_rewrites` the harmless ones; `trial` asks oracle and verifier about one text. No mutant says of
itself that it does harm: the oracle of `tests/oracle` decides.
"""
