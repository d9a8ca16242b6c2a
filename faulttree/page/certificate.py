"""A certificate made on the spot, for a server whose name no authority vouches for."""

from __future__ import annotations

import datetime as dt
import os
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

from faulttree.errors import FaulttreeError

if TYPE_CHECKING:
    from cryptography.x509 import GeneralName

__all__ = ["fingerprint_of", "own_certificate"]

DAYS = 365
"""How long a new one holds."""

MARGIN_DAYS = 7
"""So long before its end a new one is made."""


def own_certificate(folder: Path, names: frozenset[str], now: dt.datetime) -> tuple[Path, Path]:
    """Files of a certificate and its key, made where none for these names is there.

    The key is an elliptic-curve key on P-256, the signature ECDSA with SHA-256.

    Args:
        folder: where they are kept; the key is readable by this user alone.
        names: host names and addresses that it holds for.
        now: the time.
    """
    certificate, key = folder / "page-certificate.pem", folder / "page-key.pem"
    if certificate.exists() and key.exists() and _holds(certificate, names, now):
        return certificate, key
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    public, private = _made(names, now)
    for path, content in ((key, private), (certificate, public)):
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out:
            out.write(content)
    return certificate, key


def fingerprint_of(certificate: Path) -> str:
    """SHA-256 of a certificate in DER, as browsers show it: pairs of hexadecimal digits.

    Raises:
        FaulttreeError: it cannot be read.
    """
    from cryptography import x509
    from cryptography.hazmat.primitives.hashes import SHA256

    try:
        read = x509.load_pem_x509_certificate(certificate.read_bytes())
    except (OSError, ValueError):
        raise FaulttreeError(
            "the certificate cannot be read",
            path=certificate,
            remedy="Give a certificate in PEM with --certificate, its key with --key.",
        ) from None
    return read.fingerprint(SHA256()).hex(":").upper()


def _holds(certificate: Path, names: frozenset[str], now: dt.datetime) -> bool:
    from cryptography import x509

    try:
        read = x509.load_pem_x509_certificate(certificate.read_bytes())
        known = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, ValueError, x509.ExtensionNotFound):
        return False
    told = {str(name.value) for name in known}
    late = read.not_valid_after_utc - dt.timedelta(days=MARGIN_DAYS)
    return names <= told and now < late


def _made(names: frozenset[str], now: dt.datetime) -> tuple[bytes, bytes]:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "faulttree page")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + dt.timedelta(days=DAYS))
        .add_extension(x509.SubjectAlternativeName([_alternative(n) for n in names]), False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    return made.public_bytes(serialization.Encoding.PEM), private


def _alternative(name: str) -> GeneralName:
    from cryptography import x509

    try:
        return x509.IPAddress(ip_address(name))
    except ValueError:
        return x509.DNSName(name)
