"""``serve``: the page on the phone, over a folder of jobs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leakinfer.cli.extras import needing
from leakinfer.cli.options import priors_option
from leakinfer.errors import InputError

if TYPE_CHECKING:
    from leakinfer.web.doors import Doors

# What the extra installs; named where one of them is missing.
EXTRA = ("jinja2", "python_multipart", "starlette", "uvicorn")


@click.command("serve")
@click.argument("folder", metavar="[FOLDER]", default=".", type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(0, 65535), default=8765, show_default=True, help="0 takes a free one.")
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Another one needs the key.")
@click.option("--name", metavar="NAME", help="One more name that it is opened by, as office.example; needs the key.")
@click.option("--token", metavar="KEY", help="The key of the page; beyond this machine one is made if none is given.")
@click.option(
    "--certificate", type=click.Path(path_type=Path), metavar="FILE", help="Encrypts the line: PEM, with its chain."
)
@click.option(
    "--certificate-key", type=click.Path(path_type=Path), metavar="FILE", help="Its private key, if not in that file."
)
@click.option(
    "--system", "systems", multiple=True, type=click.Path(path_type=Path), metavar="FILE", help="A system of your own."
)
@priors_option("What new jobs begin with: a priors folder of your own, or a file of learned priors.")
@click.option("--untrusted", is_flag=True, help="Take learned priors that their own checks speak against.")
def serve(
    folder: Path,
    port: int,
    host: str,
    name: str | None,
    token: str | None,
    certificate: Path | None,
    certificate_key: Path | None,
    systems: tuple[Path, ...],
    priors: Path | None,
    untrusted: bool,
) -> None:
    """Serve the page over the jobs in FOLDER (files that end in .job), for a browser here or on the phone.

    Without --host it can be opened on this machine only. With another address everybody in the same network who has
    the key can read and write the jobs; the line to the phone is not encrypted unless a certificate is given that the
    phone trusts, or something in front of it does so. Jobs that are there keep the priors that they began with.
    """
    with needing("web", EXTRA, "serve"):
        import python_multipart  # noqa: F401, which the framework loads when the first file comes
        import uvicorn

        from leakinfer.session.beginning import beginning_with
        from leakinfer.store import Shelf
        from leakinfer.web.app import make_app
        from leakinfer.web.doors import doors_for

        doors = doors_for(host, token, name)
        beginning = beginning_with(systems, priors, untrusted=untrusted)
        secret = encrypting(certificate, certificate_key)
        app: Any = make_app(Shelf.open(folder), doors, beginning)
        quiet = {"log_level": "warning", "ws": "none", "access_log": False, "server_header": False, "date_header": True}
        server = uvicorn.Server(uvicorn.Config(app, host=host, port=port, lifespan="off", **quiet, **secret))
    with listening(host, port) as socket:
        click.echo("\n".join(told(doors, host, socket.getsockname()[1], encrypted=bool(secret))))
        server.run(sockets=[socket])


@contextmanager
def listening(host: str, port: int) -> Iterator[Any]:
    """A socket that listens there.

    Raises:
        InputError: it cannot, as where another program does.
    """
    import socket

    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        held = socket.create_server((host, port), family=family, backlog=128)
    except (OSError, OverflowError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or "is no address"
        raise InputError(
            f"cannot listen ({reason})", where=f"{host}:{port}", allowed="a free port, own address"
        ) from error
    # Inherited by every connection: else small answers wait for the other side's late acknowledgement, some 40 ms.
    held.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    with held:
        yield held


def encrypting(certificate: Path | None, key: Path | None) -> dict[str, str]:
    """The server's settings for an encrypted line; none without a certificate.

    Raises:
        InputError: a file that cannot be used, or a key that asks for a word: nobody may be there to type it.
    """
    import ssl

    if certificate is None:
        if key is not None:
            raise InputError("needs --certificate", where="--certificate-key", allowed="both, or neither")
        return {}
    held = key or certificate
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, held, password=lambda: "")
    except OSError as error:  # those of ssl among them
        reason = "they are no such pair" if isinstance(error, ssl.SSLError) else error.strerror
        where = str(certificate if certificate == held else f"{certificate}, {held}")
        allowed = "PEM: a certificate with its chain, and its private key without a password"
        raise InputError(f"cannot be used ({reason})", where=where, allowed=allowed) from error
    return {"ssl_certfile": str(certificate), "ssl_keyfile": str(held)}


def told(doors: Doors, host: str, port: int, *, encrypted: bool = False) -> list[str]:
    """What is printed once: the address to open, with the key where there is one."""
    shown = doors.name or (f"[{host}]" if ":" in host else host)
    if not doors.local and not doors.name and host in ("0.0.0.0", "::"):
        shown = _address_outside() or shown
    key = f"enter?key={doors.key}" if doors.key else ""
    address = f"  Open {'https' if encrypted else 'http'}://{shown}:{port}/{key}"
    if doors.local:
        return [address, "  Only this machine can. Stop with Ctrl-C."]
    line = "encrypted, for those who trust the certificate" if encrypted else "not encrypted"
    return [
        address,
        f"  Whoever is in this network and has the key can read and write these jobs; the line is {line}.",
        "  Stop with Ctrl-C.",
    ]


def _address_outside() -> str | None:
    """This machine's address towards other machines; nothing is sent to find it."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737); UDP sends nothing here
        except OSError:
            return None
        return str(probe.getsockname()[0])
