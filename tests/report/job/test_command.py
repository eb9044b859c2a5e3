"""``leakinfer report``."""

from __future__ import annotations

import io
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from ...cli.helpers import answer, begun, page, process, refusal
from ..html import check_whole, read_page

pypdf: Any = import_module("pypdf")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report changes nothing, so one job is enough for all tests."""
    path = begun(tmp_path_factory.mktemp("job"), "--age", "11 years", "--loss", "0.9 kg", "--over", "18 months")
    page("record", path, "probe_point", "suction_port_core", "response", "--who", "Åsa")
    return path


def test_a_page(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    said = page("report", job, "--out", out, "--title", "Corner  house", "--today", "2026-11-26")
    assert "Written:" in said
    text = out.read_text("utf-8")
    check_whole(text)
    told = read_page(text).text
    assert "Leak search: Corner house" in told
    assert "Reported on 2026-11-26." in told
    assert "2.6 kg of R-410A" in told


def test_a_pdf_in_other_units(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.PDF"
    told = answer("report", job, "--out", out, "--units", "us")
    assert told == {"report": str(out), "decision": "go on", "notices": []}
    text = " ".join(found.extract_text() for found in pypdf.PdfReader(io.BytesIO(out.read_bytes())).pages)
    assert "Leak search: a" in text  # the name of the file, where no title was told
    assert "5 lb 12 oz of R-410A" in text


def test_units_one_by_one(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    page("report", job, "--out", out, "--units", "psig, C, oz")
    told = read_page(out.read_text("utf-8")).text
    assert "5 lb 12 oz of R-410A" in told
    assert "24 C outdoors" in told


def test_what_is_refused(job: Path, tmp_path: Path) -> None:
    assert refusal("report", job, "--out", tmp_path / "a.txt").endswith("allowed: .html, .pdf")
    assert "--units" in refusal("report", job, "--out", tmp_path / "a.html", "--units", "furlong")
    assert "unit of mass" in refusal("report", job, "--out", tmp_path / "a.html", "--units", "psig,C,stone")
    assert "no.job" in refusal("report", tmp_path / "no.job", "--out", tmp_path / "a.html")
    assert str(tmp_path / "none") in refusal("report", job, "--out", tmp_path / "none" / "a.html")
    assert not list(tmp_path.glob("a.html"))


@pytest.mark.parametrize(("ending", "library"), [(".pdf", "fpdf"), (".html", "jinja2")])
def test_a_library_that_is_missing(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ending: str, library: str
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    line = refusal("report", job, "--out", tmp_path / f"a{ending}")
    assert f"{library} is missing, needs pip install 'leakinfer[report]'" in line


def test_heavy_libraries_wait_until_they_are_needed() -> None:
    script = (
        "import sys; import leakinfer.cli.job_report; "
        "print([name for name in ('fpdf', 'jinja2', 'matplotlib', 'fontTools', 'PIL') if name in sys.modules])"
    )
    run = process(script)
    out, errors = run.communicate(timeout=120)
    assert (out.strip(), errors) == ("[]", "")
