"""The real command on a clip that is fixed 30 degrees off the layers of a plate with one zone."""

from __future__ import annotations

import json

from tests.e2e.conftest import JOBS, ROOT, command

ZONED = """layers: 7
zones:
- {name: waves, figure: 0.9, points: [[30, 45], [120, 50], [120, 105], [30, 100]]}
"""
JOB = f"""based_on: {JOBS / "grafting-pair.yaml"}
billet: ./plate.yaml
parts:
  handle: {{count: 0}}
  clip: {{count: 1, along_layers: 0, fixed: [{{x: 50, y: 60, angle: 37}}]}}
  stud: {{count: 0}}
nest:
  web: 0.5
  worth: {{figure: 10, layers: 8, alike: 0, held: 0}}
"""


def test_the_packet_shows_what_each_term_earned(tmp_path):
    plate = (ROOT / "configs/billets/layered-160x75.yaml").read_text()
    (tmp_path / "plate.yaml").write_text(plate + ZONED)
    (tmp_path / "one-clip.yaml").write_text(JOB)
    done = command("make", str(tmp_path / "one-clip.yaml"), "--out", str(tmp_path / "out"))
    assert done.returncode in (0, 1), done.stderr
    summary = json.loads((tmp_path / "out/summary.json").read_text())
    marks = {term["term"]: (term["mark"], term["money"]) for term in summary["terms"]}
    assert marks["value"] == (1.0, 14.0)
    assert marks["figure"] == (0.9, 9.0)
    assert marks["layers"] == (0.75, 6.0), "cos2 of 30 degrees"
    assert summary["score"] == 29.0
    page = (tmp_path / "out/packet.html").read_text()
    assert "Clip lies 30 degrees off the layers" in page
    drawing = (tmp_path / "out/nest.svg").read_text()
    assert "waves 0.9" in drawing and 'class="layers"' in drawing
