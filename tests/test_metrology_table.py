import math
from pathlib import Path

import numpy as np
import pytest
from hostile import TEXTS, offences

from tuner.errors import BadFile, BadReadings
from tuner.metrology.table import LARGEST_FILE_BYTES, columns_of, parse_table, read_table

HEADER = "commanded_mm,reading_mm\n"


def parsed(text: str):
    return parse_table(text.encode(), "run.csv")


def findings(text: str | bytes) -> tuple[str, ...]:
    with pytest.raises(BadFile) as refusal:
        parse_table(text if isinstance(text, bytes) else text.encode(), "run.csv")
    return refusal.value.findings


# --- what is understood ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "commanded_mm,reading_mm\n0.5,20.25\n-100,-0.5\n",
        "commanded_mm,reading_mm\r\n0.5,20.25\r\n-100,-0.5",
        "commanded_mm,reading_mm\r0.5,20.25\r-100,-0.5\r",
        "\ufeffcommanded_mm,reading_mm\n0.5,20.25\n-100,-0.5\n",
        "commanded_mm;reading_mm\n0,5;20,25\n-100;-0,5\n",
        "commanded_mm;reading_mm\n0.5;20.25\n-100;-.5\n",
        '"commanded_mm","reading_mm"\n"0,5","20,25"\n"-100","-0,5"\n',
        "reading_mm,commanded_mm\n20.25,0.5\n-0.5,-100.\n",
        "# made up\n\n  # twice\ncommanded_mm,reading_mm\n#\n0.5,20.25\n,\n\n-100,-0.5\n#\n",
        " Commanded_MM , READING_mm \n 0.5 , 20.25 \n-100,-0.5\n",
        "commanded_mm,reading_mm\n5.0e-01,+2.025E1\n-1e2,-5e-1\n",
        "commanded_mm,reading_mm,feed_mm_per_min\n0.5,20.25,1200\n-100,-0.5,\n",
        "commanded_mm,reading_mm,time_s\n0.5,20.25,\n-100,-0.5,7\n",
    ],
)
def test_many_ways_to_write_the_same_two_readings(text):
    readings = parsed(text)
    assert readings.commanded_mm.tolist() == [0.5, -100.0]
    assert readings.reading_mm.tolist() == [20.25, -0.5]
    assert readings.side.tolist() == [0.0, 0.0]
    assert readings.visit.tolist() == [1, 1]
    assert readings.time_s is None


def test_every_column_is_read():
    readings = parsed(
        "visit,time_s,approach,reading_mm,commanded_mm\n1,0,plus,20,0\n2,1.5,Minus,30,10\n"
        "2,90,,31,11\n"
    )
    assert readings.side.tolist() == [1.0, -1.0, 0.0]
    assert readings.visit.tolist() == [1, 2, 2]
    assert readings.time_s is not None
    assert readings.time_s.tolist() == [0.0, 1.5, 90.0]


# --- what is refused ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "there is no header line"),
        ("# nothing\n", "there is no header line"),
        (HEADER, "no reading below the header"),
        ("commanded_mm\n1\n", "line 1, the header: reading_mm is missing"),
        ("#\n1,2\n", "line 2, the header: '1' is no column"),
        ("commanded_mm,reading_mm,aproach\n", "'aproach' is no column here"),
        ("commanded_mm,reading_mm,\n", "'' is no column here"),
        ("commanded_mm,reading_mm,reading_mm\n", "reading_mm is there twice"),
        ("commanded_deg,reading_deg\n", "in degrees; expected mm"),
        (HEADER + "1,2\n3\n", "line 3: 1 cell, the header has 2"),
        (HEADER + "0,5,20,25\n", "line 2: 4 cells, the header has 2"),
        (HEADER + "1,\n", "line 2: reading_mm is empty"),
        (HEADER + "1,nan\n", "line 2: reading_mm is 'nan'; expected a plain number"),
        (HEADER + "1,inf\n", "'inf'"),
        (HEADER + "1,1_0\n", "'1_0'"),
        (HEADER + "1,0x1p3\n", "'0x1p3'"),
        (HEADER + "1,\u0661\n", "line 2"),
        (HEADER + "1,12.3 mm\n", "'12.3 mm'"),
        (HEADER + "1,1e300\n", "'1e300'; expected a number within 1e+06"),
        (HEADER + "1,-1000001\n", "within 1e+06"),
        (HEADER + "1," + "9" * 31 + "\n", "line 2"),
        (HEADER + '1,"1,234.5"\n', "expected a plain number"),
        (HEADER + '1.5,2\n1,"1,234"\n', "line 3: reading_mm has a comma for decimals, and line 2"),
        (HEADER + '1,"2\n', "line 2: the quotes do not pair up"),
        (HEADER + '1,"2"x\n', "line 2: the quotes do not pair up"),
        ("commanded_mm,reading_mm,approach\n1,2,up\n", "approach is 'up'; expected plus, minus"),
        ("commanded_mm,reading_mm,visit\n1,2,\n", "visit is ''; expected a whole number"),
        ("commanded_mm,reading_mm,visit\n1,2,1.5\n", "visit is '1.5'"),
        ("commanded_mm,reading_mm,visit\n1,2,-1\n", "visit is '-1'"),
        ("commanded_mm,reading_mm,time_s\n1,2,noon\n", "time_s is 'noon'"),
        ("commanded_mm,reading_mm,feed_mm_per_min\n1,2,fast\n", "feed_mm_per_min is 'fast'"),
        (b"commanded_mm,reading_mm\n1,\xff\n", "line 2 is not UTF-8 text (byte 0xff)"),
        ("commanded_mm,reading_mm\n1,2".encode("utf-16"), "line 1 is not UTF-8"),
        (
            "commanded_mm,reading_mm,visit\n" + "".join(f"1,2,{n}\n" for n in range(2000)),
            "2000 visits",
        ),
    ],
)
def test_what_cannot_be_used_is_told_with_its_line(text, says):
    (finding,) = findings(text)
    assert finding.startswith("run.csv: ")
    assert says in finding


def test_all_wrong_rows_are_told_at_once_and_never_more_than_a_few():
    rows = ["1,2", "x,2", "3,4", "5", "6,y"]
    found = findings(HEADER + "\n".join(rows))
    assert [one.split(": ")[1] for one in found] == ["line 3", "line 5", "line 6"]
    many = findings(HEADER + "x,y\n" * 1000)
    assert len(many) == 11
    assert many[-1] == "run.csv: and 990 more lines"


def test_the_line_of_a_row_is_where_it_begins():
    (finding,) = findings('# a\r\n\r\ncommanded_mm,reading_mm\r\n1,2\r\n#\r\n"3\r\n4",5\r\n6,7')
    assert "line 6: commanded_mm is" in finding


@pytest.mark.parametrize("text", TEXTS)
def test_what_stands_in_a_file_does_not_act_on_the_terminal(text):
    cell = text.replace('"', '""').encode("utf-8", "replace").decode()
    for table in (f'{HEADER}1,"{cell}"\n', f'commanded_mm,"{cell}"\n1,2\n'):
        for finding in findings(table):
            assert offences(finding) == []
            assert len(finding) < 400


def test_a_file_is_read_or_told_why_not(tmp_path: Path):
    path = tmp_path / "run.csv"
    path.write_text(HEADER + "1,2\n", encoding="utf-8")
    assert read_table(path).reading_mm.tolist() == [2.0]
    for name, says in (("none.csv", "no such file"), (".", "a folder"), ("a\0b", "cannot be read")):
        with pytest.raises(BadFile, match=says) as refusal:
            read_table(tmp_path / name)
        assert offences(str(refusal.value)) == []


def test_a_file_too_large_is_not_read_to_its_end(tmp_path: Path):
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.truncate(LARGEST_FILE_BYTES * 100)  # a hole, which takes no room on the disk
    with pytest.raises(BadFile, match="larger than 64 MiB"):
        read_table(path)


# --- arrays ---------------------------------------------------------------------------------


def test_arrays_become_columns():
    readings = columns_of(
        [0, 10], np.array([20.0, 30.0]), approach=["plus", None], time_s=(1, 2), visit=[1, 2]
    )
    assert readings.commanded_mm.dtype == float
    assert readings.side.tolist() == [1.0, 0.0]
    assert readings.visit.tolist() == [1, 2]
    assert readings.time_s is not None
    assert readings.time_s.tolist() == [1.0, 2.0]


def test_columns_do_not_change_with_the_arrays_they_came_from():
    reading = np.array([20.0, 30.0])
    readings = columns_of([0, 10], reading)
    reading[0] = 99.0
    assert readings.reading_mm.tolist() == [20.0, 30.0]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"commanded_mm": ["a", "b"]}, "commanded_mm is no array of numbers"),
        ({"commanded_mm": [[0.0, 1.0]]}, "commanded_mm has 2 dimensions"),
        ({"commanded_mm": [[0.0], [1.0, 2.0]]}, "no array of numbers"),
        ({"reading_mm": [1.0, None]}, "reading 2"),
        ({"reading_mm": [1.0]}, "columns of 1, 2 readings"),
        ({"reading_mm": [math.nan, 1.0]}, "reading 1 is nan mm"),
        ({"reading_mm": [1.0, 1e7]}, "at most a kilometre"),
        ({"approach": ["plus"]}, "columns of 1, 2 readings"),
        ({"approach": ["plus", "up"]}, "approach has something else"),
        ({"approach": [["plus"], "minus"]}, "approach has something else"),
        ({"time_s": [0.0, math.inf]}, "reading 2 was taken at inf s"),
        ({"time_s": [[0.0, 1.0]]}, "time_s has 2 dimensions"),
        ({"visit": [1.0, 1.5]}, "visit has something else than whole numbers"),
        ({"visit": [1.0, math.nan]}, "visit has something else than whole numbers"),
        ({"visit": [1.0, 1e30]}, "visit has something else than whole numbers"),
    ],
)
def test_arrays_that_are_no_readings_are_refused(given, says):
    with pytest.raises(BadReadings, match=says):
        columns_of(**{"commanded_mm": [0.0, 1.0], "reading_mm": [20.0, 21.0], **given})
