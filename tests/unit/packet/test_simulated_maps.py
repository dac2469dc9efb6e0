"""Deviation maps: the PNG is read back with another library, colours are counted by hand."""

from __future__ import annotations

import base64
import io
import re

import numpy as np
import pytest
from PIL import Image

from pipeline.model.job import Tolerances
from pipeline.model.verdict import PartMap
from pipeline.packet.simulated.maps import COLOURS, colour_classes, draw_maps, limits_mm, thinned
from pipeline.packet.simulated.png import png
from tests.unit.packet.figures_by_hand import made_map
from tests.unit.packet.test_page_html import plate

TOLERANCES = Tolerances(wall_mm=0.02, floor_mm=0.02, left_mm=0.08)
NAN = float("nan")
MOST_BYTES = 200_000  # of all maps of a page


def of(values, **changes) -> PartMap:
    shape = {"part_id": "handle-left", "x0_mm": 10.0, "y0_mm": 20.0, "cell_mm": 0.5} | changes
    return PartMap(deviation=np.array(values, dtype=np.float32), **shape)


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (4, 8), (17, 2)])
def test_a_png_is_read_back_as_it_was(shape):
    cells = np.random.default_rng(3).integers(0, 8, shape).astype(np.uint8)
    colours = [*COLOURS, (1, 2, 3)]
    image = Image.open(io.BytesIO(png(cells, colours, clear=7)))
    assert image.size == (shape[1], shape[0])
    seen = np.asarray(image.convert("RGBA"))
    assert np.array_equal(seen[..., :3], np.array(colours, dtype=np.uint8)[cells])
    assert np.array_equal(seen[..., 3] == 0, cells == 7)


def test_colours_change_at_shares_of_the_limits():
    """Limits -0.02 and +0.08: an eighth, a half and the whole of each. A value on a limit is inside it."""
    assert limits_mm(TOLERANCES) == pytest.approx((-0.02, -0.01, -0.0025, 0.01, 0.04, 0.08))
    values = [-0.0201, -0.02, -0.0101, -0.01, -0.0026, -0.0025, 0, 0.01, 0.0101, 0.04, 0.0401, 0.08, 0.0801, NAN]
    wanted = [0, 1, 1, 2, 2, 3, 3, 3, 4, 4, 5, 5, 6, 7]
    assert colour_classes(np.array(values, dtype=np.float32), TOLERANCES).tolist() == wanted


def test_deep_and_left_are_told_apart_without_colour_and_by_the_colour_blind():
    """Luminance by Rec. 709 (from memory), the red-green confused view by taking red and green as their mean: each blue
    differs from each orange in either."""

    def grey(colour):
        return sum(share * value for share, value in zip((0.2126, 0.7152, 0.0722), colour, strict=True))

    for k in range(3):
        deep, left = COLOURS[2 - k], COLOURS[4 + k]
        assert grey(left) - grey(deep) > 25
        assert abs((left[0] + left[1]) / 2 - left[2] - ((deep[0] + deep[1]) / 2 - deep[2])) > 60
    assert COLOURS[3] == (255, 255, 255)


def test_thinning_keeps_what_is_farthest_off():
    one = of([[0.01, -0.03, NAN], [0.02, NAN, 0.001], [NAN, NAN, -0.002]])
    small = thinned(one, 2)
    assert np.array_equal(
        small.deviation, np.array([[-0.03, 0.001], [np.nan, -0.002]], dtype=np.float32), equal_nan=True
    )
    assert (small.x0_mm, small.y0_mm, small.cell_mm) == (10.25, 20.25, 1.0)
    assert thinned(one, 1) is one


def test_the_picture_lies_where_the_part_lies():
    """The image's lower left corner is half a cell before the first cell's centre; Y is turned on a drawing."""
    values = np.zeros((4, 6))
    values[0, 0] = -0.5
    (drawn,) = draw_maps([of(values)], plate(), TOLERANCES)
    image = re.search(r'<image x="([-\d.]+)" y="([-\d.]+)" width="([\d.]+)" height="([\d.]+)"', drawn.picture)
    x, y, width, height = map(float, image.groups())
    assert (x, y, width, height) == (9.75, -19.75 - 2.0, 3.0, 2.0)
    data = re.search(r"base64,([\w+/=]+)", drawn.picture)[1]
    seen = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))).convert("RGB"))
    assert tuple(seen[-1, 0]) == COLOURS[0], "low Y is at the bottom"
    assert tuple(seen[0, 0]) == COLOURS[3]
    assert (drawn.least_mm, drawn.most_mm) == (-0.5, 0.0)
    assert drawn.over_mm2 == pytest.approx(0.25)
    assert drawn.judged_mm2 == pytest.approx(6.0)
    assert drawn.picture.count('class="extreme"') == 1, "nothing is left on"


def test_a_map_of_which_nothing_is_judged_says_so():
    (drawn,) = draw_maps([of(np.full((3, 3), NAN))], plate(), TOLERANCES)
    assert drawn.least_mm is None and drawn.most_mm is None and drawn.judged_mm2 == 0
    assert 'class="extreme"' not in drawn.picture


def test_maps_of_parts_that_are_not_there_are_left_out():
    assert draw_maps([of([[0.0]], part_id="stranger")], plate(), TOLERANCES) == []


def test_the_worst_maps_stay_small():
    """Noise in every class cannot be packed: 25 parts of 100 x 25 mm at 0.1 mm."""
    values = np.random.default_rng(4).uniform(-0.03, 0.1, (250, 1000))
    drawn = draw_maps([of(values, cell_mm=0.1)] * 25, plate(), TOLERANCES)
    assert len(drawn) == 25
    assert sum(len(one.picture) for one in drawn) < MOST_BYTES


def test_same_picture_twice():
    one = made_map(plate().parts[0], 0.25, seed=0)
    assert draw_maps([one], plate(), TOLERANCES) == draw_maps([one], plate(), TOLERANCES)
