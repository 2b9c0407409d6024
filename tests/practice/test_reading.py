"""GPX of five writers by hand in their dialects, other files, and the noted times."""

# ruff: noqa: E501  dialects stand as their writers write them
import time
from datetime import UTC, datetime

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.jobs.practice.tracks import RawTrack, UnusedTrack, read_log, read_tracks

T0 = datetime(2027, 1, 31, 10, 0, 0, tzinfo=UTC).timestamp()
LAT, LON = 65.823, 4.3402

WATCH = """<?xml version="1.0" encoding="UTF-8"?>
<gpx creator="a watch" version="1.1" xmlns="http://www.topografix.com/GPX/1/1"
  xmlns:x="http://example.org/trackpoint/v2" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
  xsi:schemaLocation="http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd">
 <metadata><time>2027-01-31T10:00:00.000Z</time></metadata>
 <trk><name>Drill</name><type>hiking</type><trkseg>
  <trkpt lat="65.823" lon="4.3402"><ele>1760.2</ele><time>2027-01-31T10:00:00.000Z</time>
   <extensions><x:TrackPointExtension><x:atemp>-4.0</x:atemp><x:hr>131</x:hr></x:TrackPointExtension></extensions></trkpt>
  <trkpt lat="65.82301" lon="4.34021"><ele>1760.1</ele><time>2027-01-31T10:00:01.000Z</time>
   <extensions><x:TrackPointExtension><x:hr>132</x:hr></x:TrackPointExtension></extensions></trkpt>
  <trkpt lat="65.82302" lon="4.34022"><ele>1760.0</ele><time>2027-01-31T10:00:02.000Z</time></trkpt>
 </trkseg></trk>
</gpx>"""
OLD = """<?xml version="1.0"?>
<gpx version="1.0" creator="an old handheld" xmlns="http://www.topografix.com/GPX/1/0">
 <time>2027-01-31T09:59:00Z</time><bounds minlat="65.8" minlon="4.3" maxlat="65.9" maxlon="4.4"/>
 <trk><name>ACTIVE LOG</name><number>1</number><trkseg>
  <trkpt lat="65.823" lon="4.3402"><ele>1760</ele><time>2027-01-31T10:00:00Z</time><course>271</course><speed>1.1</speed><fix>3d</fix></trkpt>
  <trkpt lat="65.82301" lon="4.34021"><ele>1760</ele><time>2027-01-31T10:00:01Z</time><course>270</course><speed>1.2</speed></trkpt>
  <trkpt lat="65.82302" lon="4.34022"><ele>1760</ele><time>2027-01-31T10:00:02Z</time><speed>1.2</speed></trkpt>
 </trkseg></trk>
</gpx>"""
DRAWN = """<?xml version='1.0' encoding='UTF-8' standalone='no' ?>
<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="a map program">
 <wpt lat="65.9" lon="4.5"><name>Hut</name></wpt>
 <trk><trkseg><trkpt lat="65.823" lon="4.3402"/><trkpt lat="65.82301" lon="4.34021"/><trkpt lat="65.82302" lon="4.34022"/></trkseg></trk>
</gpx>"""
PHONE = """<?xml version="1.0" encoding="utf-8"?><gpx version="1.1" creator="a phone" xmlns="http://www.topografix.com/GPX/1/1" xmlns:o="http://example.org/o">
<trk><name>Ötztal</name><extensions><o:color>#ff0000</o:color></extensions>
<trkseg><trkpt lat="65.823000000000001" lon="4.3402"><ele>1760.25</ele><time>2027-01-31T11:00:00+01:00</time><hdop>3.5</hdop><extensions><o:accuracy>4.8</o:accuracy></extensions></trkpt></trkseg>
<trkseg></trkseg>
<trkseg><trkpt lat="65.82301" lon="4.34021"><time>2027-01-31T11:00:01+01:00</time></trkpt>
<trkpt lat="65.82302" lon="4.34022"><time>2027-01-31T11:00:02+01:00</time></trkpt></trkseg></trk></gpx>"""
EDITED = """\ufeff<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="a converter" xmlns="http://www.topografix.com/GPX/1/1">
<metadata><name>two days</name></metadata>
<trk><name>first</name><trkseg><trkpt lat="65.823" lon="4.3402"><time>2027-01-31T10:00:00.25Z</time></trkpt>
<trkpt lat="65.82301" lon="4.34021"><time>2027-01-31T10:00:01Z</time></trkpt></trkseg></trk>
<trk><name>second</name><trkseg><trkpt lat="65.82302" lon="4.34022"><time>2027-01-31T10:00:02Z</time></trkpt></trkseg></trk>
</gpx>"""


def read(tmp_path, text, name="track.gpx", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_tracks(path)


@pytest.mark.parametrize(
    ("text", "timed", "segments"),
    [(WATCH, True, 1), (OLD, True, 1), (DRAWN, False, 1), (PHONE, True, 2), (EDITED, True, 2)],
    ids=["extensions", "GPX 1.0", "without time", "several segments, zone", "several tracks, BOM"],
)
def test_five_writers(tmp_path, text, timed, segments):
    (raw,) = read(tmp_path, text)
    assert isinstance(raw, RawTrack)
    assert raw.name == "track"
    assert raw.lat_deg == pytest.approx([LAT, LAT + 1e-5, LAT + 2e-5], abs=1e-9)
    assert raw.lon_deg == pytest.approx([LON, LON + 1e-5, LON + 2e-5], abs=1e-9)
    assert len(set(raw.segment.tolist())) == segments
    if timed:
        assert raw.time_s == pytest.approx(T0 + np.arange(3.0), abs=0.3)
    else:
        assert np.isnan(raw.time_s).all()


def test_other_encodings(tmp_path):
    """Declared Latin 1, and UTF-16 with its mark."""
    latin = PHONE.replace("utf-8", "ISO-8859-1")
    assert read(tmp_path, latin, encoding="latin-1")[0].lat_deg.size == 3
    assert read(tmp_path, WATCH.replace("UTF-8", "UTF-16"), encoding="utf-16")[0].lat_deg.size == 3


def test_a_route_counts_where_there_is_no_track(tmp_path):
    text = '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><rte><rtept lat="1" lon="2"/><rtept lat="1" lon="3"/></rte></gpx>'
    (raw,) = read(tmp_path, text)
    assert raw.lon_deg.tolist() == [2.0, 3.0]


def test_two_people_in_one_file_are_two_tracks(tmp_path):
    one = '<trk><name>{n}</name><trkseg><trkpt lat="1" lon="2"><time>2027-01-31T10:00:00Z</time></trkpt><trkpt lat="1" lon="2"><time>2027-01-31T10:10:00Z</time></trkpt></trkseg></trk>'
    text = (
        '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
        + one.format(n="anna")
        + one.format(n="ben")
        + "</gpx>"
    )
    assert [track.name for track in read(tmp_path, text)] == ["track anna", "track ben"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "empty"),
        ("   \n", "empty"),
        ('<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"></gpx>', "no track"),
        (
            '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg/></trk></gpx>',
            "no track",
        ),
        (
            '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1"><wpt lat="1" lon="2"/></gpx>',
            "no track",
        ),
    ],
)
def test_empty_files_are_left_out_and_say_so(tmp_path, text, reason):
    (left,) = read(tmp_path, text)
    assert isinstance(left, UnusedTrack)
    assert reason in left.reason


@pytest.mark.parametrize("text", ["hello", "<gpx><trk>", '{"type": "FeatureCollection"}', "\x00\x01\x02"])
def test_what_is_no_gpx_is_refused_by_name(tmp_path, text):
    with pytest.raises(InputError, match=r"bad\.gpx"):
        read(tmp_path, text, name="bad.gpx")


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"gone\.gpx"):
        read_tracks(tmp_path / "gone.gpx")


def log(tmp_path, text):
    path = tmp_path / "times.csv"
    path.write_text(text, encoding="utf-8")
    return read_log(path)


def test_noted_times_in_all_forms(tmp_path):
    text = """searcher,target,phase,time
# a remark, with a comma
,,start,2027-01-31T11:00:00+01:00
S1,,A,0:40
S1,T1,b,2:05
S1,T1,C,
anna,T1,E,1:02:03.5
ben,,B,2027-01-31T10:04:00Z
"""
    found = log(tmp_path, text)
    assert [one.phase for one in found] == ["start", "A", "B", "E", "B"]
    assert found[0].time_s == T0
    assert [one.elapsed_s for one in found[1:4]] == [40.0, 125.0, 3723.5]
    assert found[4].time_s == T0 + 240.0
    assert log(tmp_path, "searcher,phase,time\nS1,A,3:00\n")[0].target == ""


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("searcher,when\n", "first line must be"),
        ("", "first line must be"),
        ("searcher,target,phase,time\nS1,,F,1:00\n", r"line 2: the phase is 'F'"),
        ("searcher,target,phase,time\nS1,,A,soon\n", r"line 2: the time is 'soon'"),
        ("searcher,target,phase,time\nS1,,A,1:75\n", "line 2"),
        ("searcher,target,phase,time\nS1,,A,2027-01-31T10:00:00\n", "has no zone"),
    ],
)
def test_broken_logs_name_the_line(tmp_path, text, word):
    with pytest.raises(InputError, match=word):
        log(tmp_path, text)


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process cannot be set here")
@pytest.mark.parametrize("zone", ["UTC", "America/Anchorage", "Asia/Kathmandu"])
def test_times_without_a_zone_are_utc_wherever_this_runs(tmp_path, monkeypatch, zone):
    """The GPX schema says UTC; the zone of the computer has nothing to do with it."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        (raw,) = read(tmp_path, WATCH.replace("Z</time>", "</time>"))
        (told,) = read(tmp_path, WATCH)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert raw.time_s.tolist() == told.time_s.tolist()
