"""What the trade knows, as values: component classes, exposures, shared unknowns, methods of testing.

Everything here is read from ``priors/`` by :mod:`leakinfer.catalogue.reader`; no number is written in code. ``known``
says how a number is known: ``published`` (read in the named source), ``secondary`` (a standard or handbook as
reproduced elsewhere), ``memory``, ``computed`` or ``judgement``.
"""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from msgspec import Meta, Struct

from leakinfer.reading import Known, NotNegative, Positive, Probability, Text


class Value(Struct, frozen=True, forbid_unknown_fields=True):
    """Any file value; refuses keys it does not know."""


class Sourced(Value, frozen=True):
    """A table with the units of its numbers, in their order, and their source."""

    unit: Text
    known: Known
    source: Text


class Hazard(Value, frozen=True):
    """Leaks per component-year: a gamma distribution of the rate, mean over the first ten years of age."""

    mean: Positive
    gamma_shape: Positive
    unit: Literal["1/component-year"]
    source: Text
    known: Known


class AgeShape(Value, frozen=True):
    """Weibull shape of the cumulative hazard: below 1 workmanship faults, above 1 wear and corrosion."""

    weibull: Positive
    source: Text
    known: Known


class SizeSpread(Value, frozen=True):
    """Lognormal standard leak size (dry air, 1 bar to vacuum, 20 C, laminar)."""

    median: Positive
    log_sd: Positive
    unit: Literal["Pa m3/s"]
    source: Text
    known: Known


class ComponentClass(Value, frozen=True):
    """A kind of site. ``port``: a gauge hose on it hides its leak."""

    id: Text
    name: Text
    hazard: Hazard
    age: AgeShape
    size: SizeSpread
    port: bool = False


class Ratio(Value, frozen=True):
    """A hazard ratio, lognormal around ``median``."""

    median: Positive
    log_sd: NotNegative
    source: Text
    known: Known


class Share(Value, frozen=True):
    """A probability with its source."""

    value: Probability
    source: Text
    known: Known


class Look(Value, frozen=True):
    """How well, and in how many minutes, a look tells whether an exposure is there."""

    minutes: Positive
    sensitivity: Probability
    specificity: Probability
    source: Text
    known: Known


class Exposure(Value, frozen=True):
    """A circumstance that raises or lowers the hazard of the sites it touches."""

    id: Text
    name: Text
    signs: Text  # what one sees, in the words of the trade
    ratio: Ratio
    prevalence: Share
    look: Look


class SharedUnknown(Value, frozen=True):
    """Something unknown that all sites of some classes in one system share, as the workmanship of its installer."""

    id: Text
    name: Text
    log_sd: Positive  # of a common lognormal factor on their hazards
    nodes: Annotated[int, Meta(ge=1, le=9)]  # quadrature nodes
    classes: tuple[Text, ...]
    source: Text
    known: Known


class Grade(Value, frozen=True):
    """One outcome of a method that speaks for a leak, from the weakest to the strongest.

    P(at least this outcome | rate) = (1 - lapse) / (1 + (rate50 / rate)^slope), joined with ``false_alarm``.
    """

    outcome: Text
    rate50: Positive
    slope: Positive
    false_alarm: Probability


class Technique(Value, frozen=True):
    """How a method is done well on one component class, and what spoils it there."""

    how: Text
    spoils: str = ""
    possible: bool = True  # False: the method cannot be done on this class, ``spoils`` says why
    unreachable: Probability | None = None  # chance that the spot hides from the method there
    minutes: Positive | None = None


class FalseCause(Value, frozen=True):
    """Something other than a leak that makes the method respond; ticked by a person, it raises the false alarm."""

    id: Text
    name: Text
    false_alarm: Probability


Tier: TypeAlias = Literal["quick", "standard", "intrusive"]
State: TypeAlias = Literal["running", "standing", "flat", "nitrogen", "tracer", "vacuum"]


class Tool(Value, frozen=True):
    """Something that may be missing on the van."""

    id: Text
    name: Text


class SetUp(Value, frozen=True):
    """Work that makes tests possible or better, and is paid once.

    A change of the system's state has ``from_states`` and ``to``; an aid (a shroud, dye in the oil) has neither.
    ``minutes`` with hands on, ``wait_minutes`` in which something else can be done. ``empties``: the charge is taken
    out; ``opens_circuit``: the circuit is opened to the air. ``place_each``: paid again at every target.
    """

    id: Text
    name: Text
    minutes: Positive
    how: Text
    source: Text
    known: Known
    from_states: tuple[State, ...] = ()
    to: State | None = None
    wait_minutes: NotNegative = 0.0
    tier: Tier = "standard"
    tools: tuple[Text, ...] = ()
    gauges: bool = False  # connects hoses to the ports
    empties: bool = False
    opens_circuit: bool = False
    place_each: bool = False
    cautions: tuple[Text, ...] = ()


class Method(Value, frozen=True):
    """A way of testing.

    ``kind`` says what the test is made on: ``point`` one site, ``sweep`` a zone, ``spot`` what drips onto a place
    (any of the sites above it), ``exposure`` a circumstance, ``total`` the whole charge, ``hold`` the gas or vacuum in
    the whole circuit or in an isolation, ``gather`` the gas that collects around a zone under a shroud.
    """

    id: Text
    name: Text
    kind: Literal["point", "sweep", "spot", "exposure", "total", "hold", "gather"]
    silent: Text  # the outcome that speaks against a leak
    grades: tuple[Grade, ...]
    rate: Literal["g/yr", "Pa m3/s"]  # what rate50 is measured in: mass of refrigerant, or gas volume at 20 C
    lapse: Probability
    unreachable: Probability
    minutes: Positive
    how: Text
    source: Text
    known: Known
    pinpoint: bool = False  # a response on a point counts as confirmation
    reach_of: str = ""  # the method whose reach it shares: what hides from the one hides from the other
    needs_view: bool = False  # cannot be done on a site that no line of sight reaches
    gauges: bool = False  # connects hoses to the ports and so ends the tests of the ports
    opens_circuit: bool = False
    low_side_share: Probability = 1.0  # of the rate that shows on the low side: its leaks carry less oil out
    lasting: bool = False  # sees what a leak left behind over the year, whatever the state at the moment
    states: tuple[State, ...] = ("running", "standing")
    tier: Tier = "quick"
    tools: tuple[Text, ...] = ()
    needs: tuple[Text, ...] = ()  # aids that must be there first
    aided_by: tuple[Text, ...] = ()  # aids that make it better, as a shroud in wind
    wait_minutes: NotNegative = 0.0  # more minutes in which something else can be done
    ignites: bool = False  # a spark or flame: never with a refrigerant that burns
    hands_in: bool = False  # hands go past guards: power locked off first
    air: dict[Literal["still", "breeze", "wind"], Positive] = {}  # divides the rate that reaches the probe
    least_gauge_kpa: NotNegative = 0.0  # below this the method says little
    least_temperature_c: float = -50.0
    relative_error: NotNegative = 0.0  # of a total
    absolute_error_g: NotNegative = 0.0
    false_causes: tuple[FalseCause, ...] = ()
    cautions: tuple[Text, ...] = ()
    techniques: dict[str, Technique] = {}  # by component class

    @property
    def any_state(self) -> bool:
        """Whether it looks at what stays as it is, whatever the state at the moment."""
        return self.lasting or self.kind == "exposure"


class Repair(Value, frozen=True):
    """What is done about a leak at one component class, how it is proved, and what keeps it from coming back.

    ``minutes`` of the repair once the system is ready for it; ``opens_circuit``: the charge must be out first.
    """

    component: Text
    repair: Text
    verify: Text
    prevent: Text
    minutes: Positive
    opens_circuit: bool
    fails: Probability  # chance that the old leak is still there afterwards
    cautions: tuple[Text, ...]
    source: Text
    known: Known


class Advice(Value, frozen=True):
    """Something the owner should be told that is no evidence of a leak.

    It applies where one of ``exposures`` is known to be there, where at least ``least`` sites of one of ``components``
    are fitted, or where a person says that it was seen (``told``).
    """

    id: Text
    name: Text  # what was seen, a few words
    text: Text
    source: Text
    known: Known
    exposures: tuple[Text, ...] = ()
    components: tuple[Text, ...] = ()
    least: Annotated[int, Meta(ge=1)] = 1
    told: bool = False
    cautions: tuple[Text, ...] = ()


class SizeGrid(Value, frozen=True):
    """The log grid of standard leak sizes."""

    least: Positive
    greatest: Positive
    per_decade: Annotated[int, Meta(ge=1, le=12)]
    unit: Literal["Pa m3/s"]
    source: Text
    known: Known


class Catalogue(Struct, frozen=True):
    """All that is read from one ``priors/`` folder. ``digest`` identifies the files' content."""

    sizes: SizeGrid
    components: dict[str, ComponentClass]
    exposures: dict[str, Exposure]
    shared: dict[str, SharedUnknown]
    methods: dict[str, Method]
    tools: dict[str, Tool]
    setups: dict[str, SetUp]
    repairs: dict[str, Repair]  # by component class
    advice: dict[str, Advice]
    numbers: dict[str, float]  # single settings with unit and source in settings.toml
    digest: str
