"""A local authority for a tablet in the same surgery, and the certificate it gives to this computer's address."""

from __future__ import annotations

import datetime as dt
import ipaddress
from dataclasses import dataclass
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.output import write_bytes

AUTHORITY_DAYS = 3650
SERVER_DAYS = 397
RENEW_DAYS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareFiles:
    """Files in a folder beside the store: the authority that a tablet is told to trust, and the server's own."""

    authority: Path
    certificate: Path
    key: Path


def share_files(folder: Path, address: str, *, now: dt.datetime) -> ShareFiles:
    """Certificate of this computer's address, made anew where there is none, it runs out or the address changed.

    Parameters
    ----------
    folder : Path
        Made as needed; its keys are readable by their owner alone.
    address : str
        IP address of this computer in the surgery's network. The authority can certify nothing else.
    now : datetime
        With its time zone.

    Raises
    ------
    OnsetStudyError
        If this is no address of a private network, or the folder cannot be written to.
    """
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        raise OnsetStudyError(f"{address} is no IP address; give this computer's, as 192.168.1.20") from None
    if not ip.is_private or ip.is_unspecified:
        raise OnsetStudyError(f"{address} is not an address of a private network; the recorder is never put on the net")
    files = ShareFiles(
        authority=folder / "authority.crt", certificate=folder / "computer.crt", key=folder / "computer.key"
    )
    if not _good(files, ip, now):
        _make(files, ip, now)
    return files


IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address


def _good(files: ShareFiles, ip: IpAddress, now: dt.datetime) -> bool:
    """Whether the certificate is there, of this address, and lasts a month."""
    if not all(path.exists() for path in (files.authority, files.certificate, files.key)):
        return False
    try:
        certificate = x509.load_pem_x509_certificate(files.certificate.read_bytes())
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, x509.ExtensionNotFound):
        return False
    lasts = certificate.not_valid_after_utc - now
    return names.get_values_for_type(x509.IPAddress) == [ip] and lasts > dt.timedelta(days=RENEW_DAYS)


def _make(files: ShareFiles, ip: IpAddress, now: dt.datetime) -> None:
    """A new authority, whose key is thrown away once it has signed: nobody can ever sign anything else with it."""
    authority_key, server_key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    issuer = _name("Recorder at the chair: local authority")
    authority = (
        _begin(issuer, issuer, authority_key, now, AUTHORITY_DAYS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(x509.NameConstraints([x509.IPAddress(ipaddress.ip_network(ip))], None), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .sign(authority_key, hashes.SHA256())
    )
    server = (
        _begin(issuer, _name("Recorder at the chair"), server_key, now, SERVER_DAYS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip)]), critical=False)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(_usage(signs=False), critical=True)
        .sign(authority_key, hashes.SHA256())
    )
    pem = serialization.Encoding.PEM
    key = server_key.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    write_bytes(files.key, key, private=True)
    write_bytes(files.certificate, server.public_bytes(pem), private=True)
    write_bytes(files.authority, authority.public_bytes(pem))


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _begin(
    issuer: x509.Name, subject: x509.Name, key: ec.EllipticCurvePrivateKey, now: dt.datetime, days: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .issuer_name(issuer)
        .subject_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(hours=1))
        .not_valid_after(now + dt.timedelta(days=days))
    )


def _usage(*, signs: bool) -> x509.KeyUsage:
    unused = ("content_commitment", "key_encipherment", "data_encipherment", "key_agreement", "encipher_only",
              "decipher_only")  # fmt: skip
    never = dict.fromkeys(unused, False)
    return x509.KeyUsage(digital_signature=not signs, key_cert_sign=signs, crl_sign=signs, **never)
