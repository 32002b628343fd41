import numpy as np
import pytest

from tuner.console.bars import ASCII, UNICODE, marks_for
from tuner.console.pictures import residual_picture

AT = np.array([0.0, 0.0, 60.0, 120.0, 120.0])
RESIDUALS = np.array([0.02, -0.02, 0.0, 0.05, -0.05])
SIDE = np.array([1.0, -1.0, 0.0, 1.0, -1.0])

PICTURE = """\
+0.073 |                                                                    |
       |                                                                    |
+0.040 |...................................................................>|
       |                                                                    |
       |>                                                                   |
     0 |----------------------------------o---------------------------------|
       |<                                                                   |
       |                                                                    |
-0.040 |...................................................................<|
       |                                                                    |
-0.073 |                                                                    |
        0                                                             120 mm"""


def test_marks_stand_where_the_residuals_are():
    assert "\n".join(residual_picture(AT, RESIDUALS, SIDE, 0.04, ASCII)) == PICTURE


def test_unicode_is_the_same_picture_in_other_marks():
    in_ascii = residual_picture(AT, RESIDUALS, SIDE, 0.04, ASCII)
    in_unicode = residual_picture(AT, RESIDUALS, SIDE, 0.04, UNICODE)
    grid = str.maketrans("".join(vars(ASCII).values()), "".join(vars(UNICODE).values()))
    for one, other in zip(in_ascii[:-1], in_unicode[:-1], strict=True):
        assert one[:6] == other[:6]
        assert one[6:].translate(grid) == other[6:]
    assert in_ascii[-1] == in_unicode[-1]


@pytest.mark.parametrize(
    ("encoding", "marks"),
    [("utf-8", UNICODE), ("ascii", ASCII), ("cp1252", ASCII), ("no-such", ASCII), (None, ASCII)],
)
def test_ascii_where_the_terminal_cannot_show_more(encoding, marks):
    assert marks_for(encoding) is marks
    "".join(vars(ASCII).values()).encode("ascii")


def test_readings_of_several_sides_at_one_place_share_a_mark():
    at, side = np.zeros(2), np.array([1.0, -1.0])
    (line,) = (
        one for one in residual_picture(at, np.zeros(2), side, 0.1, ASCII) if one.startswith("  ")
        and "*" in one
    )  # fmt: skip
    assert line.count("*") == 1
    same = residual_picture(at, np.zeros(2), np.ones(2), 0.1, ASCII)
    assert "*" not in "".join(same)
    assert sum(one.count(">") for one in same) == 1


@pytest.mark.parametrize("scale_mm", [1e-12, 1e-6, 1e-3, 1.0, 1e6])
@pytest.mark.parametrize("band_mm", [0.0, 1e-9, 0.04, 1e3])
def test_extremes_make_a_picture_of_the_same_size_with_every_edge_reading_in_it(scale_mm, band_mm):
    random = np.random.default_rng(1)
    residuals = scale_mm * random.uniform(-1.0, 1.0, 200)
    at = random.uniform(-1e6, 1e6, 200)
    lines = residual_picture(at, residuals, np.zeros(200), band_mm, ASCII)
    assert len(lines) == 12
    assert len({len(line) for line in lines[:-1]}) == 1
    assert sum(line.count("o") for line in lines) > 5


def test_many_readings_do_not_make_it_larger():
    random = np.random.default_rng(1)
    n = 100_000
    lines = residual_picture(
        random.uniform(0, 200, n),
        random.normal(0, 0.02, n),
        random.choice([-1.0, 0.0, 1.0], n),
        0.04,
        UNICODE,
    )
    assert len(lines) == 12
    assert max(map(len, lines)) < 80


def test_one_reading_without_residual_stands_on_the_line():
    lines = residual_picture(np.array([5.0]), np.zeros(1), np.ones(1), 0.0, ASCII)
    assert [line for line in lines if line.startswith("        0 |>")]
    assert lines[-1].split() == ["5", "5", "mm"]
