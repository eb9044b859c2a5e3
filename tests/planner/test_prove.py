"""What is nearly sure is to be proved before it is called confirmed (common practice, no source)."""

from __future__ import annotations

from leakinfer.circuit.model import ELSEWHERE
from leakinfer.job.belief import Belief
from leakinfer.planner.plan import make_plan
from tests.job.small import found, shipped_job, told

RESPONSES = (
    *(found("probe_point", "indoor_gas_flare", "response") for _ in range(3)),
    found("oil_point", "indoor_gas_flare", "oil"),
    *(found("probe_point", f"indoor_{name}", "silent") for name in ("liquid_flare", "return_bends", "fin_tubes")),
)


def test_a_likely_nut_is_proved_by_bubbles_and_then_confirmed() -> None:
    job = told(shipped_job("ductless_split", age_years=11.0, loss={"kg": 0.3, "years": 1.5}), *RESPONSES)
    stop = make_plan(Belief(job)).stop
    assert stop.likely == ("indoor_gas_flare",)
    assert stop.confirmed == ()
    assert stop.prove is not None
    assert (stop.prove.candidate.method, stop.prove.candidate.target) == ("bubbles", "indoor_gas_flare")
    proved = make_plan(Belief(told(job, found("bubbles", "indoor_gas_flare", "slow_foam")))).stop
    assert proved.confirmed == ("indoor_gas_flare",)
    assert proved.likely == ()
    assert proved.prove is None


def test_what_is_likely_is_not_counted_as_another_leak() -> None:
    job = told(shipped_job("ductless_split", age_years=11.0, loss={"kg": 0.3, "years": 1.5}), *RESPONSES)
    belief = Belief(job)
    stop = make_plan(belief).stop
    assert stop.another < belief.any_that_matters() - 0.3
    assert stop.another == belief.any_that_matters({"indoor_gas_flare"})


def test_nothing_is_proved_before_anything_is_likely() -> None:
    stop = make_plan(Belief(shipped_job("ducted_split"))).stop
    assert (stop.likely, stop.prove) == ((), None)
    assert ELSEWHERE not in stop.confirmed
