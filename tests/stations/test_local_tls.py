"""The certificate of a shop's own network: trusted through its authority, for its names alone."""

import datetime as dt
import socket
import ssl
import stat
import threading

import pytest

from qc.errors import RimqcError
from qc.stations.local_tls import AUTHORITY_LASTS, SERVER_LASTS, local_certificate

NAMES = ["qc.shop.test", "192.168.7.5"]
NOW = dt.datetime.now(dt.UTC)


def greets(files, name):
    """Whether a device that trusts the authority accepts the server under a name."""
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(files.cert, files.key)
    device = ssl.create_default_context(cafile=files.authority)
    device.verify_flags |= ssl.VERIFY_X509_STRICT
    here, there = socket.socketpair()

    def serve():
        try:
            server.wrap_socket(there, server_side=True).close()
        except OSError:
            there.close()

    serving = threading.Thread(target=serve)
    serving.start()
    try:
        device.wrap_socket(here, server_hostname=name).close()
    except ssl.SSLError:
        return False
    finally:
        here.close()
        serving.join(10)
    return True


def test_a_device_trusts_the_server_under_its_names_and_no_other(tmp_path):
    files = local_certificate(tmp_path / "tls", NAMES, NOW)
    assert [greets(files, name) for name in [*NAMES, "bank.test", "192.168.7.6"]] == [
        *(True, True, False, False)
    ]


def test_a_device_without_the_authority_does_not(tmp_path):
    files = local_certificate(tmp_path / "a", NAMES, NOW)
    other = local_certificate(tmp_path / "b", NAMES, NOW)
    assert not greets(files._replace(authority=other.authority), NAMES[0])


def test_it_is_made_once_and_kept(tmp_path):
    first = [file.read_bytes() for file in local_certificate(tmp_path, NAMES, NOW)]
    assert first == [file.read_bytes() for file in local_certificate(tmp_path, NAMES, NOW)]


def test_it_is_renewed_in_time_under_the_same_authority(tmp_path):
    files = local_certificate(tmp_path, NAMES, NOW - SERVER_LASTS + dt.timedelta(days=50))
    authority, cert = files.authority.read_bytes(), files.cert.read_bytes()
    local_certificate(tmp_path, NAMES, NOW)
    assert files.authority.read_bytes() == authority
    assert files.cert.read_bytes() != cert
    assert greets(files, NAMES[0])


def test_other_names_need_another_authority_for_this_one_is_bound(tmp_path):
    files = local_certificate(tmp_path, NAMES, NOW)
    authority = files.authority.read_bytes()
    local_certificate(tmp_path, NAMES[:1], NOW)
    assert files.authority.read_bytes() == authority
    local_certificate(tmp_path, ["other.test"], NOW)
    assert files.authority.read_bytes() != authority
    assert greets(files, "other.test")


def test_an_authority_that_ends_too_soon_is_made_anew(tmp_path):
    long_ago = NOW - AUTHORITY_LASTS + dt.timedelta(days=100)
    authority = local_certificate(tmp_path, NAMES, long_ago).authority.read_bytes()
    files = local_certificate(tmp_path, NAMES, NOW)
    assert files.authority.read_bytes() != authority
    assert greets(files, NAMES[0])


def test_a_damaged_file_is_made_anew(tmp_path):
    files = local_certificate(tmp_path, NAMES, NOW)
    files.key.write_text("nothing of use")
    assert greets(local_certificate(tmp_path, NAMES, NOW), NAMES[0])


def test_keys_are_for_this_user_only(tmp_path):
    local_certificate(tmp_path / "tls", NAMES, NOW)
    modes = {stat.S_IMODE(file.stat().st_mode) for file in (tmp_path / "tls").iterdir()}
    assert modes == {0o600}


@pytest.mark.parametrize("name", ["", "a b", "http://x", "x:8501", "*.shop.test", "ä.test"])
def test_a_name_that_is_none_is_refused(tmp_path, name):
    with pytest.raises(RimqcError, match="neither a host name nor an address"):
        local_certificate(tmp_path, [name], NOW)


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RimqcError, match="cannot be used"):
        local_certificate(tmp_path / "file" / "tls", NAMES, NOW)
