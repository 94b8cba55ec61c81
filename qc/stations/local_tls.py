"""A certificate for the shop's own network, made here: tablets give camera and scale to TLS only.

A small authority, bound to the names it was made for, signs the server's certificate. Devices are
given the authority once; the server's certificate is renewed under it by itself.
"""

import datetime as dt
import ipaddress
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from qc.errors import RimqcError

AUTHORITY_LASTS = dt.timedelta(days=3650)
# browsers refuse what is said to last longer
SERVER_LASTS = dt.timedelta(days=397)
RENEWED_BEFORE = dt.timedelta(days=60)

Name = x509.DNSName | x509.IPAddress


class Files(NamedTuple):
    """What stands in the folder: `authority` is for devices, the other two for the server."""

    authority: Path
    cert: Path
    key: Path


def local_certificate(folder: Path, names: Sequence[str], now: dt.datetime) -> Files:
    """The server's certificate for these host names and addresses, made or renewed where needed.

    RimqcError where the folder cannot be written or a name is none.
    """
    files = Files(folder / "authority.pem", folder / "server.pem", folder / "server-key.pem")
    authority_key = folder / "authority-key.pem"
    wanted = [_name(name) for name in names]
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        authority = _read(files.authority, authority_key)
        if authority is None or not _covers(authority[0], wanted, now + SERVER_LASTS, now):
            authority = _authority(wanted, now)
            _write(authority_key, _private(authority[1]))
            _write(files.authority, _public(authority[0]))
        server = _read(files.cert, files.key)
        if server is None or not _fits(server[0], authority[0], wanted, now):
            server = _server(wanted, authority, now)
            _write(files.key, _private(server[1]))
            _write(files.cert, _public(server[0]))
    except OSError as fault:
        raise RimqcError(f"--tls-local: {folder} cannot be used ({fault.strerror})") from None
    return files


_Pair = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


def _name(text: str) -> Name:
    with suppress(ValueError):
        return x509.IPAddress(ipaddress.ip_address(text))
    if not text.isascii() or not all(text.split(".")) or any(c in text for c in " /:*@"):
        raise RimqcError(f"--tls-local {text!r} is neither a host name nor an address", 2)
    return x509.DNSName(text.lower())


def _authority(names: Sequence[Name], now: dt.datetime) -> _Pair:
    key = ec.generate_private_key(ec.SECP256R1())
    title = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "rimqc of this shop")])
    # the key of this authority can vouch for these names and for nothing else
    bounds = x509.NameConstraints([_bound(name) for name in names], None)
    usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
    made = (
        _builder(title, title, key, now, AUTHORITY_LASTS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(bounds, critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    return made.sign(key, hashes.SHA256()), key


def _bound(name: Name) -> Name:
    if isinstance(name, x509.IPAddress):
        return x509.IPAddress(ipaddress.ip_network(str(name.value)))
    return name


def _server(names: Sequence[Name], authority: _Pair, now: dt.datetime) -> _Pair:
    key = ec.generate_private_key(ec.SECP256R1())
    title = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "rimqc")])
    usage = x509.KeyUsage(True, False, False, False, False, False, False, False, False)
    issuer_key = authority[1].public_key()
    made = (
        _builder(title, authority[0].subject, key, now, SERVER_LASTS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(issuer_key), False)
    )
    return made.sign(authority[1], hashes.SHA256()), key


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: dt.datetime,
    lasts: dt.timedelta,
) -> x509.CertificateBuilder:  # fmt: skip
    # a tablet's clock may be a little behind
    begins = now - dt.timedelta(hours=1)
    return x509.CertificateBuilder(
        issuer_name=issuer, subject_name=subject, public_key=key.public_key(),
        serial_number=x509.random_serial_number(),
        not_valid_before=begins, not_valid_after=begins + lasts,
    )  # fmt: skip


def _covers(cert: x509.Certificate, names: Sequence[Name], until: dt.datetime,
            now: dt.datetime) -> bool:  # fmt: skip
    bounds = cert.extensions.get_extension_for_class(x509.NameConstraints).value
    held = set(bounds.permitted_subtrees or ())
    return cert.not_valid_before_utc <= now and until <= cert.not_valid_after_utc and (
        {_bound(name) for name in names} <= held
    )  # fmt: skip


def _fits(
    cert: x509.Certificate, authority: x509.Certificate, names: Sequence[Name], now: dt.datetime
) -> bool:
    said = cert.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    if set(said) != set(names) or cert.not_valid_after_utc < now + RENEWED_BEFORE:
        return False
    try:
        cert.verify_directly_issued_by(authority)
    except Exception:  # the library raises several kinds for another signer
        return False
    return cert.not_valid_before_utc <= now


def _read(cert: Path, key: Path) -> _Pair | None:
    """A pair as it stands in the folder; None where it is not there or is damaged."""
    try:
        found = x509.load_pem_x509_certificate(cert.read_bytes())
        secret = serialization.load_pem_private_key(key.read_bytes(), None)
    except (FileNotFoundError, ValueError):
        return None
    return (found, secret) if isinstance(secret, ec.EllipticCurvePrivateKey) else None


def _public(cert: x509.Certificate) -> bytes:
    return cert.public_bytes(serialization.Encoding.PEM)


def _private(key: ec.EllipticCurvePrivateKey) -> bytes:
    form = serialization.PrivateFormat.PKCS8
    return key.private_bytes(serialization.Encoding.PEM, form, serialization.NoEncryption())


def _write(path: Path, content: bytes) -> None:
    """In place of what stood there, readable by this user only."""
    aside = path.with_suffix(".new")
    aside.unlink(missing_ok=True)
    with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
    aside.replace(path)
