"""Names of copies in few words."""

from __future__ import annotations

from collections.abc import Sequence


def kind_of(part_id: str) -> str:
    """`stud-3` -> `stud`; `handle-left` stays."""
    head, _, tail = part_id.rpartition("-")
    return head if head and tail.isdigit() else part_id


def copies(ids: Sequence[str]) -> str:
    """`stud-1, stud-2, stud-5` -> `stud-1, 2, 5`; runs of three and more as `stud-1 to 14`."""
    numbers: dict[str, list[int]] = {}
    for part_id in dict.fromkeys(ids):
        kind = kind_of(part_id)
        numbers.setdefault(kind, [])
        if kind != part_id:
            numbers[kind].append(int(part_id.rpartition("-")[2]))
    return "; ".join(f"{kind}-{_runs(found)}" if found else kind for kind, found in numbers.items())


def _runs(numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for n in sorted(numbers):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" if b > a + 1 else f"{a}, {b}" for a, b in runs)
