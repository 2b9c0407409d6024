"""Forty requests that mean harm: each is answered 4xx, and nothing is written outside the folder or left in it."""

import io
import json
import socket
import struct
import time
import zipfile
import zlib

import httpx
import numpy as np
import pytest
import rasterio
from affine import Affine
from typer.testing import CliRunner

from lastseen.cli import app
from lastseen.web.guard import Limits
from web.conftest import DEMO, TOKEN

JSON = {"content-type": "application/json"}
BYTES = {"content-type": "application/octet-stream"}
BIG = 100_000


def tiff(**more):
    """A GeoTIFF of one block of ground, with what is asked for changed."""
    profile = {
        "driver": "GTiff", "width": 64, "height": 64, "count": 1, "dtype": "float32", "crs": "EPSG:32632",
        "transform": Affine(5, 0, 600_000, 0, -5, 5_200_000),
    } | more  # fmt: skip
    with rasterio.MemoryFile() as memory:
        with memory.open(**profile) as out:
            out.write(np.full((profile["height"], profile["width"]), 2000, profile["dtype"]), 1)
        return memory.read()


def huge_tiff(width, height):
    """A TIFF header that declares a size, with next to nothing behind it."""
    tags = [
        (256, 4, 1, width), (257, 4, 1, height), (258, 3, 1, 32), (259, 3, 1, 1), (262, 3, 1, 1), (273, 4, 1, 8),
        (277, 3, 1, 1), (278, 4, 1, height), (279, 4, 1, 100), (339, 3, 1, 3),
    ]  # fmt: skip
    body = b"".join(struct.pack("<HHII", *tag) for tag in tags)
    return b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(tags)) + body + b"\0" * 200


def vrt(name):
    """A VRT that points to another file."""
    return (
        f'<VRTDataset rasterXSize="64" rasterYSize="64"><SRS>EPSG:32632</SRS><GeoTransform>600000,5,0,5200000,0,-5'
        f'</GeoTransform><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="0">'
        f"{name}</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    ).encode()


def zip_bomb():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("dem.tif", b"\0" * 50_000_000)
    return out.getvalue()


def asked(**more):
    return json.dumps(DEMO | more).encode()


def ring(n):
    return [[4.34 + 0.001 * np.cos(t), 65.82 + 0.001 * np.sin(t)] for t in np.linspace(0, 6.28, n, endpoint=False)]


PLAN = "ysterra-bench-invented-place-01"
BOX = "west=-180&south=-85&east=180&north=85"
BOW = [[4.34, 65.82], [4.341, 65.821], [4.341, 65.82], [4.34, 65.821]]
KM = {"crs": "EPSG:4326", "transform": Affine(0.1, 0, 5, 0, -0.1, 50)}
WMS = b"<GDAL_WMS><Service name='TMS'><ServerUrl>http://127.0.0.1:9/</ServerUrl></Service></GDAL_WMS>"
VSI = "/vsicurl/http://127.0.0.1:9/a.tif"
REQUESTS = {
    # paths that leave the folder
    "dots in a plan": ("GET", "/api/plans/..%2f..%2fetc/files/passwd", {}, None),
    "dots in a file": ("GET", f"/api/plans/{PLAN}/files/..%2f..%2f..%2fetc%2fpasswd", {}, None),
    "plain dots in a file": ("GET", f"/api/plans/{PLAN}/files/../../../../etc/passwd", {}, None),
    "double encoded dots": ("GET", f"/api/plans/{PLAN}/files/%252e%252e%252fplan.json", {}, None),
    "an absolute file": ("GET", f"/api/plans/{PLAN}/files/%2fetc%2fpasswd", {}, None),
    "a backslash": ("GET", f"/api/plans/{PLAN}/files/..%5c..%5cplan.json", {}, None),
    "a zero byte": ("GET", f"/api/plans/{PLAN}/files/plan.json%00.png", {}, None),
    "the scenario beside the plan": ("GET", f"/api/plans/{PLAN}.toml", {}, None),
    "dots in static files": ("GET", "/static/..%2f..%2fserver.py", {}, None),
    "dots in the map library": ("GET", "/map/..%2f__init__.py", {}, None),
    "another file of the map library": ("GET", "/map/ipywidget.js", {}, None),
    "a layer that is SQL": ("GET", f"/api/plans/{PLAN}/layers/lanes%27%3B%20DROP%20TABLE%20lanes", {}, None),
    "a name with dots for a place": ("POST", "/api/places?name=../../../evil.tif", BYTES, b"no raster"),
    # who asks
    "another host": ("GET", "/api/state", {"host": "evil.example"}, None),
    "another port": ("GET", "/api/state", {"host": "127.0.0.1:1"}, None),
    "another origin": ("POST", "/api/jobs", JSON | {"origin": "http://evil.example"}, asked()),
    "no origin at all": ("POST", "/api/jobs", JSON | {"origin": "null"}, asked()),
    "a page from elsewhere": ("GET", "/api/state", {"sec-fetch-site": "cross-site"}, None),
    "no token": ("GET", "/api/state", {"authorization": ""}, None),
    "a wrong token": ("GET", "/api/state", {"authorization": "Bearer " + TOKEN[:-1]}, None),
    "a wrong cookie": ("GET", "/api/state", {"authorization": "", "cookie": "lastseen=1"}, None),
    "a wrong token at the door": ("GET", "/enter?token=guess", {"authorization": ""}, None),
    # bodies
    "a form": ("POST", "/api/jobs", {"content-type": "application/x-www-form-urlencoded"}, b"place=ysterra"),
    "text": ("POST", "/api/jobs", {"content-type": "text/plain"}, asked()),
    "too long a body": ("POST", "/api/jobs", JSON, b'{"place": "' + b"a" * 400_000 + b'"}'),
    "deep JSON": ("POST", "/api/jobs", JSON, b"[" * 100_000),
    "a path of a file": ("POST", "/api/jobs", JSON, asked(ground={"trees": "/etc/passwd"})),
    "a path of an outline": ("POST", "/api/jobs", JSON, asked(search={"debris": "/etc/passwd"})),
    "a path of elevation": ("POST", "/api/jobs", JSON, asked(elevation=["/etc/passwd"])),
    "a huge ensemble": ("POST", "/api/jobs", JSON, asked(snow={"members": 10**9})),
    "no number": ("POST", "/api/jobs", JSON, b'{"place": "ysterra", "last_seen": {"radius_m": NaN}}'),
    "too many corners": ("POST", "/api/jobs", JSON, asked(debris=[ring(1990), ring(1990)])),
    "an outline that crosses itself": ("POST", "/api/jobs", JSON, asked(debris=[BOW])),
    # rasters
    "a VRT that points to another file": ("POST", "/api/places?name=a.tif", BYTES, vrt("/etc/passwd")),
    "a VRT that points to the network": ("POST", "/api/places?name=a.vrt", BYTES, vrt(VSI)),
    "a zip bomb": ("POST", "/api/places?name=a.zip", BYTES, zip_bomb()),
    "a gzip bomb": ("POST", "/api/places?name=a.tif", BYTES, zlib.compress(b"\0" * 10_000_000)),
    "100,000 x 100,000 declared": ("POST", "/api/places?name=a.tif", BYTES, huge_tiff(BIG, BIG)),
    "one block of all": ("POST", "/api/places?name=a.tif", BYTES, huge_tiff(10_000, 10_000)),
    "a raster without CRS": ("POST", "/api/places?name=a.tif", BYTES, tiff(crs=None)),
    "complex numbers": ("POST", "/api/places?name=a.tif", BYTES, tiff(dtype="complex64")),
    "degrees of a kilometre": ("POST", "/api/places?name=a.tif", BYTES, tiff(**KM)),
    "a broken raster": ("POST", "/api/places?name=a.tif", BYTES, tiff(width=600, height=600)[:3000]),
    "WMS as a raster": ("POST", "/api/places?name=a.xml", BYTES, WMS),
    # numbers
    "a tile beyond the world": ("GET", "/api/places/ysterra/tiles/height/3/9/9", {}, None),
    "a zoom beyond all": ("GET", "/api/places/ysterra/tiles/height/99/0/0", {}, None),
    "a tile of a file": ("GET", "/api/places/%2fvsimem%2fa/tiles/height/3/1/1", {}, None),
    "isolines of the world": ("GET", "/api/places/ysterra/isolines?kind=height&" + BOX, {}, None),
    "a long address": ("GET", "/api/state?" + "a" * 9000, {}, None),
    "another method": ("PUT", "/api/places", BYTES, b""),
}  # fmt: skip


def everything(folder):
    return {str(one.relative_to(folder)): one.stat().st_mtime_ns for one in folder.rglob("*")}


@pytest.fixture(scope="module")
def prepared(server, bench_plan):
    assert len(REQUESTS) >= 40
    return server


@pytest.mark.parametrize("name", REQUESTS)
def test_answered_4xx_and_nothing_written(prepared, name):
    """One hostile request: a clear refusal, the folder and what lies around it as before, the server runs on."""
    method, path, headers, body = REQUESTS[name]
    before = everything(prepared.folder.parent)
    url = httpx.URL(prepared.origin).copy_with(raw_path=path.encode())
    found = prepared.client.request(method, url, headers=headers, content=body)
    assert 400 <= found.status_code < 500, (found.status_code, found.text[:300])
    assert "error" in found.json()
    assert "passwd" not in found.text or "passwd:" not in found.text
    after = everything(prepared.folder.parent)
    folders = {"plans", "plans/elevation"}  # where uploads are looked at; their clock moves
    changed = {one for one in before.keys() | after.keys() if before.get(one) != after.get(one)} - folders
    assert changed == set()
    assert prepared.client.get("/api/jobs").status_code == 200


@pytest.mark.parametrize(
    "raw",
    [
        b"GET /api/state HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nX-Long: " + b"a" * 100_000 + b"\r\n\r\n",
        b"GET /api/state HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n" + b"X-Many: 1\r\n" * 20_000 + b"\r\n",
        b"GET /api/state HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nHost: evil.example\r\n\r\n",
        b"GET /api/state HTTP/1.1\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
        b"POST /api/jobs HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Length: 99999999999\r\n"
        b"Content-Type: application/json\r\n"
        b"Authorization: Bearer " + TOKEN.encode() + b"\r\n\r\n{}",
        (
            b"POST /api/jobs HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nContent-Length: 5\r\n"
            b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
        ),
    ],
    ids=[
        "a huge header",
        "many headers",
        "two hosts",
        "no host",
        "a proxy's request",
        "no HTTP",
        "a huge length",
        "two lengths",
    ],
)
def test_broken_requests(prepared, raw):
    """What no client library sends: 4xx, or the connection is closed."""
    with socket.create_connection(("127.0.0.1", prepared.port), timeout=20) as line:
        try:
            line.sendall(raw.replace(b"%d", str(prepared.port).encode()))
            answer = line.recv(200)
        except (ConnectionResetError, BrokenPipeError):
            answer = b""
    assert answer == b"" or answer.split()[1][:1] == b"4", answer
    assert prepared.client.get("/api/jobs").status_code == 200


def test_every_answer_carries_the_rules(prepared):
    """Content policy and the rest stand on pages, data, errors; nothing inline is allowed."""
    for path in ("/", "/static/main.js", "/api/state", "/api/nothing", f"/api/plans/{PLAN}/files/plan.json"):
        headers = prepared.client.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"], path
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert "access-control-allow-origin" not in headers


def test_a_host_needs_a_token(tmp_path):
    """--host without --token, a short token, and a host that means any are refused."""
    for options in (["--host", "192.0.2.1"], ["--host", "0.0.0.0", "--token", "x" * 20], ["--token", "short"]):
        found = CliRunner().invoke(app, ["serve", "--folder", str(tmp_path / "none"), "--no-open", *options])
        assert found.exit_code != 0
        assert "--host" in str(found.exception) or "token" in str(found.exception)
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_pages_of_other_ports_and_hosts_are_not_answered(prepared, site):
    """Fetch Metadata (W3C): same-site is another port of this machine; the token alone does not help."""
    found = prepared.client.get("/api/state", headers={"sec-fetch-site": site})
    assert (found.status_code, "other pages" in found.json()["error"]) == (403, True)
    assert prepared.client.get("/api/state", headers={"sec-fetch-site": "same-origin"}).status_code == 200


def test_each_of_host_origin_and_token_is_asked_for_alone(prepared):
    """Two of the three are right each time; with all three it is answered."""
    right = {"host": f"127.0.0.1:{prepared.port}", "origin": prepared.origin, "authorization": f"Bearer {TOKEN}"}
    wrong = {"host": ("evil.example", 421), "origin": ("http://evil.example", 403), "authorization": ("Bearer x", 401)}
    with httpx.Client(base_url=prepared.origin) as client:
        assert client.get("/api/state", headers=right).status_code == 200
        for key, (value, status) in wrong.items():
            assert client.get("/api/state", headers=right | {key: value}).status_code == status, key


def test_the_right_cookie_alone_opens_nothing(prepared):
    """A browser sends the cookie along whoever asks: a wrong host, origin or page is refused with it, as without."""
    right = {"host": f"127.0.0.1:{prepared.port}", "cookie": f"lastseen_{prepared.port}={TOKEN}"}
    wrong = [
        ({"origin": "http://evil.example"}, 403), ({"origin": "null"}, 403), ({"sec-fetch-site": "cross-site"}, 403),
        ({"origin": f"http://127.0.0.1:{prepared.port + 1}"}, 403), ({"sec-fetch-site": "same-site"}, 403),
        ({"host": "evil.example"}, 421), ({"host": f"127.0.0.1:{prepared.port + 1}"}, 421),
        ({"host": "evil.example", "origin": "http://evil.example"}, 421),
    ]  # fmt: skip
    before = prepared.client.get("/api/jobs").json()
    with httpx.Client(base_url=prepared.origin) as client:
        assert client.get("/api/state", headers=right).status_code == 200
        assert client.get("/api/state", headers=right | {"origin": prepared.origin}).status_code == 200
        for headers, status in wrong:
            for method, path in (("GET", "/api/state"), ("POST", "/api/jobs"), ("DELETE", "/api/jobs/job-1")):
                found = client.request(method, path, headers=right | headers, json=DEMO if method == "POST" else None)
                assert found.status_code == status, (method, headers)
    assert prepared.client.get("/api/jobs").json() == before


@pytest.mark.parametrize(
    "cookie",
    [
        "lastseen_{port}=", "lastseen_{port}=" + TOKEN[:-1], "lastseen_{port}=" + TOKEN + "x", "lastseen_1=" + TOKEN,
        "lastseen=" + TOKEN, 'lastseen_{port}="' + TOKEN[::-1] + '"', TOKEN,
    ],
)  # fmt: skip
def test_only_the_cookie_of_this_server_counts(prepared, cookie):
    """Another name, another port, a part of the token: 401, as with none."""
    with httpx.Client(base_url=prepared.origin) as client:
        sent = {"cookie": cookie.format(port=prepared.port)}
        assert client.get("/api/state", headers=sent).status_code == 401


def test_a_header_that_decides_must_not_stand_twice(prepared):
    """Two hosts, origins or tokens: servers and proxies would not agree on which one counts (RFC 9110, 5.3)."""
    head = f"GET /api/state HTTP/1.1\r\nHost: 127.0.0.1:{prepared.port}\r\nConnection: close\r\n"
    token = f"Authorization: Bearer {TOKEN}\r\n"
    origin = f"Origin: {prepared.origin}\r\n"
    for more, status in ((token, b"200"), (token + token, b"400"), (token + origin + origin, b"400")):
        with socket.create_connection(("127.0.0.1", prepared.port), timeout=20) as line:
            line.sendall((head + more + "\r\n").encode())
            assert line.recv(200).split()[1] == status, more


@pytest.mark.parametrize(("token", "path", "status"), [("", "/api/jobs", b"401"), (TOKEN, "/api/nothing", b"404")])
def test_a_refusal_arrives_though_the_body_comes_late(prepared, token, path, status):
    """Closing on a body that still comes would reset the connection, and the answer with it (RFC 9112, 9.6)."""
    head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{prepared.port}\r\nAuthorization: Bearer {token}\r\n"
    head += "Connection: close\r\nContent-Type: application/json\r\nContent-Length: 5000000\r\n\r\n"
    with socket.create_connection(("127.0.0.1", prepared.port), timeout=20) as line:
        line.sendall(head.encode())
        time.sleep(0.1)
        line.sendall(b" " * 5_000_000)
        answer = b""
        while part := line.recv(4096):
            answer += part
    assert answer.split()[1] == status
    assert b'"error"' in answer


@pytest.mark.parametrize("expects", [True, False])
def test_a_body_that_never_comes_keeps_no_refusal_back(prepared, expects):
    """It comes after a while; who waits for leave to send its body gets none (RFC 9110, 10.1.1)."""
    head = f"POST /api/jobs HTTP/1.1\r\nHost: 127.0.0.1:{prepared.port}\r\nContent-Length: 50000\r\n"
    head += "Expect: 100-continue\r\n" if expects else ""
    with socket.create_connection(("127.0.0.1", prepared.port), timeout=20) as line:
        line.sendall((head + "\r\n").encode())
        assert line.recv(200).split()[1] == b"401"


def test_a_body_without_a_declared_length_is_cut_off(prepared):
    """Sent in chunks (RFC 9112, 7.1), so that no length is declared: 413 at the bound all the same."""
    # Just over the bound: what is still under way when the connection closes could hide the answer.
    body = (b" " * 10_000 for _ in range(Limits().body_bytes // 10_000 + 1))
    found = prepared.client.post("/api/jobs", headers=JSON, content=body)
    assert found.status_code == 413


def test_a_raster_that_only_names_another_one_is_refused(prepared, tmp_path):
    """A VRT is text that points to a file: also to one that could be read, it is not followed."""
    (tmp_path / "ground.tif").write_bytes(tiff(nodata=-9999.0))
    found = prepared.client.post("/api/places?name=a.tif", headers=BYTES, content=vrt(tmp_path / "ground.tif"))
    assert (found.status_code, "no elevation raster of a kind" in found.json()["error"]) == (422, True)


def test_a_raster_of_too_many_cells_is_refused_by_its_header(prepared):
    """14,200 x 14,200 cells in small tiles of which none is written: a file of some hundred kilobytes."""
    profile = {
        "driver": "GTiff", "width": 14_200, "height": 14_200, "count": 1, "dtype": "float32", "tiled": True,
        "crs": "EPSG:32632", "transform": Affine(5, 0, 600_000, 0, -5, 5_200_000), "SPARSE_OK": True,
    }  # fmt: skip
    with rasterio.MemoryFile() as memory, memory.open(**profile) as out:
        out.close()
        data = memory.read()
    assert len(data) < 1_000_000
    assert profile["width"] * profile["height"] > Limits().upload_cells
    found = prepared.client.post("/api/places?name=a.tif", headers=BYTES, content=data)
    assert (found.status_code, "more than 200 million" in found.json()["error"]) == (422, True)


def test_links_lead_nowhere(prepared, bench_plan, tmp_path):
    """A link in the folder of a plan, and a plan that is a link, are neither listed nor handed over."""
    (tmp_path / "secret.txt").write_text("not for others")
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "plan.json").write_text("{}")
    inner, plan = prepared.folder / bench_plan / "notes.txt", prepared.folder / "linked-01"
    inner.symlink_to(tmp_path / "secret.txt")
    plan.symlink_to(outside)
    try:
        assert prepared.client.get(f"/api/plans/{bench_plan}/files/notes.txt").status_code == 404
        listed = prepared.client.get(f"/api/plans/{bench_plan}/files").json()
        assert "notes.txt" not in {one["name"] for one in listed}
        archive = prepared.client.get(f"/api/plans/{bench_plan}/everything.zip").content
        assert not any("notes" in name for name in zipfile.ZipFile(io.BytesIO(archive)).namelist())
        assert prepared.client.get("/api/plans/linked-01").status_code == 404
        assert "linked-01" not in prepared.client.get("/api/plans").text
    finally:
        inner.unlink()
        plan.unlink()


def test_an_upload_with_a_path_for_a_name_stays_in_its_place(prepared):
    """A good raster under a bad name is taken in under a plain one, in a folder named after what was sent."""
    before = everything(prepared.folder.parent)
    name = "..%2F..%2F..%2Fevil%20%24(id).tif"
    found = prepared.client.post(f"/api/places?name={name}", headers=BYTES, content=tiff(nodata=-9999.0))
    assert found.status_code == 201, found.text
    new = sorted(everything(prepared.folder.parent).keys() - before.keys() - {"plans/elevation"})
    place = found.json()["id"]
    assert new == [f"plans/elevation/{place}", f"plans/elevation/{place}/evil-id.tif"]
