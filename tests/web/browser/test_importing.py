"""A job carried from one machine to another with the fingers: saved here, chosen there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from leakinfer.store import Shelf
from tests.web.browser.conftest import Phone, Served
from tests.web.helpers import demo_job, events_of

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.parametrize("script", [True, False], ids=["with a script", "without a script"])
def test_a_job_goes_from_one_machine_to_another(browser: Any, served: Served, tmp_path: Path, script: bool) -> None:
    other = tmp_path / "other"
    other.mkdir()
    job_id = demo_job(served.folder, 9)
    first = Phone(browser, served, java_script_enabled=script)
    first.open(f"/job/{job_id}/more")
    with first.page.expect_download() as saving:
        first.page.get_by_role("link", name="The whole job as one file").click()
    saving.value.save_as(tmp_path / "corner.json")
    second = Served(other)
    second.start()
    phone = Phone(browser, second, java_script_enabled=script)
    phone.open("/")
    phone.shot("jobs_none")
    phone.page.get_by_role("link", name="A job from another machine").click()
    phone.page.get_by_role("button", name="Take this job").click()
    phone.page.get_by_text("none was chosen").wait_for()
    phone.page.get_by_label("The file").set_input_files(tmp_path / "corner.json")
    phone.shot("import")
    phone.page.get_by_role("button", name="Take this job").click()
    phone.page.wait_for_url(f"**/job/{job_id}")
    assert phone.page.get_by_role("heading", level=1).is_visible()
    assert events_of(other, job_id) == events_of(served.folder, job_id)
    assert len(Shelf.open(other).jobs()) == 1
    phone.open("/")
    phone.shot("jobs_brought")
    for one in (first, phone):
        one.close()
    second.stop()
