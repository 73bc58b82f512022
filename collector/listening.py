"""[api] of the site file: where the API listens, under which names, who needs a token, and who does the TLS.

Whoever changes nothing listens on this machine's loopback only. Any other address asks for encryption first:
TLS from two files, or a reverse proxy that is named.
"""

import ssl
from collections.abc import Iterator
from ipaddress import IPv4Address, IPv6Address, ip_address
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from collector.layouts.schema import Strict
from collector.toml_file import KeyPath, refuse

Port = Annotated[int, Field(ge=1, le=65535)]
HostName = Annotated[str, Field(pattern=r"^[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?$")]
"""In small letters, without a port."""


def address_of(text: str) -> IPv4Address | IPv6Address | None:
    """The IP address in it, an IPv4 address that is wrapped in an IPv6 one unwrapped; None: it is none."""
    try:
        found = ip_address(text)
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found


def is_loopback(host: str) -> bool:
    """Is that the name or an address of this machine's loopback?"""
    address = address_of(host)
    return host == "localhost" if address is None else address.is_loopback


def listening_address(host: str) -> str:
    if host != "localhost" and address_of(host) is None:
        raise ValueError(f"{host!r} is no IP address; write the one to listen on, 0.0.0.0 for all of IPv4")
    return host


def peer_address(text: str) -> str:
    address = address_of(text)
    if address is None:
        raise ValueError(f"{text!r} is no IP address; write the one from which the proxy asks")
    return str(address)


class ApiPart(Strict):
    """[api]"""

    host: Annotated[str, AfterValidator(listening_address)] = "127.0.0.1"
    port: Port = 8470
    names: tuple[HostName, ...] = ()
    """Under which names it may be asked, besides those of the loopback and the address it listens on."""
    tokens: Literal["not-on-loopback", "required"] = "not-on-loopback"
    """Whether whoever asks on this machine, over its loopback, needs a token too."""
    tls_certificate: str | None = None
    """PEM file with the certificate and those between it and the root, relative to the site file."""
    tls_key: str | None = None
    """PEM file with its private key, without a passphrase, relative to the site file."""
    proxies: tuple[Annotated[str, AfterValidator(peer_address)], ...] = ()
    """Addresses of reverse proxies that do the TLS and name the asker in X-Forwarded-For."""
    connections: Annotated[int, Field(ge=10, le=800)] = 200
    """At once; so many requests are answered at once too. Whoever asks for health is answered beyond that."""
    requests_per_s: Annotated[float, Field(strict=False, gt=0, le=10_000)] = 20.0
    """Of each token, in the long run."""
    request_burst: Annotated[int, Field(ge=10, le=1_000_000)] = 1000
    """Of each token, at once."""
    files_at_once: Annotated[int, Field(ge=1, le=100)] = 3
    """Lists that are made into files at once; each may take some 600 MB."""
    exports_folder: Annotated[str, Field(min_length=1)] | None = None
    """Where exports lie, relative to the site file. None: `exports` in the store's folder, or beside the site
    file where the store is a database."""
    exports_keep_days: Annotated[int, Field(ge=1, le=366)] = 7
    exports_most_gb: Annotated[float, Field(strict=False, gt=0)] = 20.0
    """All together."""

    @model_validator(mode="after")
    def encrypted_beyond_loopback(self) -> "ApiPart":
        refuse(type(self), self.problems())
        return self

    def problems(self) -> Iterator[tuple[KeyPath, str]]:
        if (self.tls_certificate is None) != (self.tls_key is None):
            given, missing = (
                ("tls_key", "tls_certificate") if self.tls_key else ("tls_certificate", "tls_key")
            )
            yield (given,), f"needs {missing} beside it"
        if is_loopback(self.host):
            return
        if not self.has_tls and not self.proxies:
            yield (
                ("host",),
                f"{self.host!r} is not a loopback address, so tokens and answers would cross the network as "
                "plain text: give tls_certificate and tls_key, or in proxies the address of the reverse "
                "proxy that does TLS",
            )
        address = address_of(self.host)
        if address is not None and address.is_unspecified and not self.names:
            yield ("host",), f"{self.host!r} has no name of its own: list in names how the API is asked for"

    @property
    def has_tls(self) -> bool:
        return self.tls_certificate is not None and self.tls_key is not None

    @property
    def needs_tokens_on_loopback(self) -> bool:
        """Also where a reverse proxy asks over the loopback: behind it may be anybody."""
        return self.tokens == "required" or any(is_loopback(each) for each in self.proxies)

    def tls_files(self, folder: Path) -> tuple[Path, Path] | None:
        """Certificate and key; `folder` is that of the site file."""
        if self.tls_certificate is None or self.tls_key is None:
            return None
        return folder / self.tls_certificate, folder / self.tls_key


def unusable_tls(api: ApiPart, folder: Path) -> Iterator[tuple[str, str]]:
    """Key in [api] and what is wrong with its file: not there, not readable, not a pair."""
    files = api.tls_files(folder)
    if files is None:
        return
    unreadable = False
    for key, path in zip(("tls_certificate", "tls_key"), files, strict=True):
        try:
            path.open("rb").close()
        except OSError as error:
            unreadable = True
            yield key, f"can't read {str(path)!r}: {error.strerror}"
    if unreadable:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*files, password=_no_passphrase)
    except (ssl.SSLError, ValueError) as error:
        yield "tls_key", f"is not, with tls_certificate, a pair that can serve TLS ({error})"


def _no_passphrase() -> str:
    raise ValueError("the key asks for a passphrase, and nobody is there to type it")
