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
@click.option("--token", metavar="KEY", help="The key of the page; beyond this machine one is made if none is given.")
@click.option(
    "--system", "systems", multiple=True, type=click.Path(path_type=Path), metavar="FILE", help="A system of your own."
)
@priors_option("What new jobs begin with: a priors folder of your own, or a file of learned priors.")
@click.option("--untrusted", is_flag=True, help="Take learned priors that their own checks speak against.")
def serve(
    folder: Path,
    port: int,
    host: str,
    token: str | None,
    systems: tuple[Path, ...],
    priors: Path | None,
    untrusted: bool,
) -> None:
    """Serve the page over the jobs in FOLDER (files that end in .job), for a browser here or on the phone.

    Without --host it can be opened on this machine only. With another address everybody in the same network who has
    the key can read and write the jobs; the line to the phone is not encrypted unless something in front of it does so.
    Jobs that are there keep the priors that they began with.
    """
    with needing("web", EXTRA, "serve"):
        import python_multipart  # noqa: F401, which the framework loads when the first file comes
        import uvicorn

        from leakinfer.session.beginning import beginning_with
        from leakinfer.store import Shelf
        from leakinfer.web.app import make_app
        from leakinfer.web.doors import doors_for

        doors = doors_for(host, token)
        beginning = beginning_with(systems, priors, untrusted=untrusted)
        app: Any = make_app(Shelf.open(folder), doors, beginning)
        quiet = {"log_level": "warning", "ws": "none", "access_log": False, "server_header": False, "date_header": True}
        server = uvicorn.Server(uvicorn.Config(app, host=host, port=port, lifespan="off", **quiet))
    with listening(host, port) as socket:
        click.echo("\n".join(told(doors, host, socket.getsockname()[1])))
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


def told(doors: Doors, host: str, port: int) -> list[str]:
    """What is printed once: the address to open, with the key where there is one."""
    shown = f"[{host}]" if ":" in host else host
    if doors.local:
        key = f"/enter?key={doors.key}" if doors.key else "/"
        return [f"  Open http://{shown}:{port}{key}", "  Only this machine can. Stop with Ctrl-C."]
    if host in ("0.0.0.0", "::"):
        shown = _address_outside() or shown
    return [
        f"  Open http://{shown}:{port}/enter?key={doors.key}",
        "  Whoever is in this network and has the key can read and write these jobs; the line is not encrypted.",
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
