"""A tablet in the same surgery: TLS by a local authority, a pairing code, and nothing on the open net."""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
import hashlib
import ipaddress
import re
import socket
import ssl
import stat
import subprocess
import sys

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.documents.certificates import share_files
from onsetstudy.files.sources.protocol_toml import read_protocol
from tests.chairside.asgi import Browser, Study
from tests.chairside.chair import quick_audit

NOW = dt.datetime(2026, 4, 3, tzinfo=dt.UTC)


def test_the_certificate_is_of_this_address_and_verified_by_the_authority(tmp_path):
    files = share_files(tmp_path / "share", "192.168.1.20", now=NOW)
    authority = x509.load_pem_x509_certificate(files.authority.read_bytes())
    server = x509.load_pem_x509_certificate(files.certificate.read_bytes())
    server.verify_directly_issued_by(authority)
    only = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    assert [str(n.value) for n in only.permitted_subtrees] == ["192.168.1.20/32"]
    assert stat.S_IMODE(files.key.stat().st_mode) == 0o600
    assert len(list((tmp_path / "share").iterdir())) == 3  # the authority's key is kept nowhere
    ssl.create_default_context(cafile=files.authority)


def test_it_is_made_anew_only_when_the_address_changes_or_it_runs_out(tmp_path):
    first = share_files(tmp_path, "192.168.1.20", now=NOW).certificate.read_bytes()
    assert share_files(tmp_path, "192.168.1.20", now=NOW).certificate.read_bytes() == first
    later = share_files(tmp_path, "192.168.1.20", now=NOW + dt.timedelta(days=380)).certificate.read_bytes()
    other = share_files(tmp_path, "192.168.1.21", now=NOW).certificate.read_bytes()
    assert len({first, later, other}) == 3


@pytest.mark.parametrize("address", ["8.8.8.8", "0.0.0.0", "practice.example", ""])
def test_only_an_address_of_a_private_network_is_shared(tmp_path, address):
    with pytest.raises(OnsetStudyError):
        share_files(tmp_path, address, now=NOW)


def address_in_the_network():
    """Address under which other devices reach this computer; its own alone where it is in no private network."""
    with contextlib.closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as asking:
        try:
            asking.connect(("10.255.255.255", 9))  # nothing is sent: the system only says which way it would go
            found = asking.getsockname()[0]
        except OSError:
            return "127.0.0.1"
    return found if ipaddress.ip_address(found).is_private else "127.0.0.1"


def test_a_tablet_that_trusts_the_authority_is_paired_and_keeps_its_page(tmp_path, serve, executable):
    here = address_in_the_network()
    server = serve(quick_audit(tmp_path), "--share", here)
    origin = re.match(r"https://[^/]+", server.addresses["alone"])[0]
    assert origin.startswith(f"https://{here}:")
    code = re.search(r": (\w{8}) at", "".join(server.said))[1]
    certificate = x509.load_pem_x509_certificate((tmp_path / "practice.share" / "computer.crt").read_bytes())
    key = certificate.public_key().public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    trusted = base64.b64encode(hashlib.sha256(key).digest()).decode()
    script = TABLET.format(exe=executable, trusted=trusted, origin=origin, code=code)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=180)
    assert done.stdout.split() == ["paired", "worker", "asked"], done.stdout + done.stderr
    again = [code, re.search(r": (\w{8}) at", server.process.stdout.readline())[1]]
    assert len(set(again)) == 2


def test_the_next_code_stands_on_the_computers_screen_and_in_no_browser(tmp_path):
    study = Study(read_protocol("protocols/mandibular_block_group.toml"), tmp_path)
    treating = study.browser("treating")
    assert treating.get("/api/setup").json()["paired_roles"] == []
    assert treating.post("/api/pairing", {"role": "mixer"}).status == 409  # it is not shared
    study.recorder.shared = True
    assert treating.get("/api/setup").json()["paired_roles"] == ["tester", "treating", "mixer"]
    for role in ("tester", "mixer"):
        assert study.browser(role).get("/api/setup").json()["paired_roles"] == []
        assert study.browser(role).post("/api/pairing", {"role": role}).status == 403
    for role in ("alone", "", None, ["mixer"]):
        assert treating.post("/api/pairing", {"role": role}).status == 409
    assert study.codes == []
    got = treating.post("/api/pairing", {"role": "mixer"})
    ((role, code),) = study.codes
    assert role == "mixer"
    assert all(code.encode() not in seen.body for seen in treating.seen)
    assert got.json() == {}
    tablet = Browser(study.app)
    assert tablet.post("/api/pair", {"code": code}).json() == {"role": "mixer"}
    assert tablet.get("/api/mixing").status == 200
    assert tablet.get("/api/chair").status == 403
    study.close()


TABLET = """
from playwright.sync_api import sync_playwright
with sync_playwright() as playwright:
    browser = playwright.chromium.launch(
        executable_path="{exe}", args=["--no-sandbox", "--ignore-certificate-errors-spki-list={trusted}"]
    )
    page = browser.new_page()
    page.goto("{origin}/")
    page.fill("#code", "{code}")
    page.get_by_role("button", name="Pair").click()
    page.get_by_role("button", name="New case").wait_for(timeout=60000)
    print("paired")
    page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
    print("worker")
    page.get_by_role("button", name="More").click()
    page.get_by_role("button", name="Pair a tablet").click()
    page.get_by_role("button", name="One clinician").click()
    page.wait_for_selector("h1 >> text=The code stands in the window of the recorder.")
    print("asked")
    browser.close()
"""
