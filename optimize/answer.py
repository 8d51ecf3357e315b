"""`Fit`: the whole answer as data, the shape of fit.json (DESIGN §10). Unknown numbers are NaN or None here, null
there."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from shimwright.optimize.case import Case
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

VERDICTS = (
    "vet first",
    "saddle first",
    "no shim needed",
    "good contact with this set-up",
    "another arch",
    "padding will not mend this",
    "not with this set-up",  # only of a set-up that a person chose
)


@dataclass(frozen=True)
class Zone:
    """Third of a panel's length on one side."""

    mean_kpa: float
    peak_kpa: float
    mean_gap_mm: float


@dataclass(frozen=True)
class Proof:
    """What the solver shows of itself: imbalance of vertical force and moments, worst complementarity (kPa · mm)."""

    force_n: float
    moment_nmm: float
    complementarity: float


@dataclass(frozen=True)
class CaseResult:
    """Measures of one load case (DESIGN §13) and the fields they came from.

    zones: six names of `case.ZONES`. clearance_mm: withers_above, withers_left, withers_right, channel.
    strain: material → largest. Node fields (n,): pressure_kpa, gap_mm (loaded; positive = daylight).
    """

    pitch_deg: float
    roll_deg: float
    vertical_n: float
    side_n: float
    left_share: float
    bridged_share: float
    contact_area_cm2: float
    mean_kpa: float
    peak_kpa: float
    unevenness: float
    zones: Mapping[str, Zone]
    clearance_mm: Mapping[str, float]
    strain: Mapping[str, float]
    proof: Proof
    pressure_kpa: FloatArray
    gap_mm: FloatArray
    arch_edge: Zone | None = None  # nodes under the arch's legs: what a sore "withers" is judged by
    notes: tuple[str, ...] = ()  # strain above working strain, bottomed out, law beyond its range
    pose: FloatArray | None = None  # (m,) equilibrium, as `bench.moved` takes it


@dataclass(frozen=True)
class Contact:
    """One set-up under every case. nodes_mm (n, 3): underside nodes in the back frame at the reference pose;
    flat_mm (n, 2): the same in the pad's flat coordinates; side (n,): +1 left, −1 right; area_mm2 (n,);
    along (n,): 0 at the panel's front end, 1 at its rear.
    """

    setup: Setup
    cases: Mapping[str, CaseResult]
    nodes_mm: FloatArray
    flat_mm: FloatArray
    side: FloatArray
    area_mm2: FloatArray
    along: FloatArray
    cost: float
    refused_by: tuple[str, ...]  # hard limits broken
    arch: "ArchJudgement | None" = None  # None: girthed was not among the cases


@dataclass(frozen=True)
class ArchJudgement:
    """Leg angle minus back angle, per side (left, right), girthed, over the length where the legs bear.

    width_difference_mm: how much further the leg runs out than the back over 100 mm of depth, + = arch wider.
    larger: the
    side of the larger shoulder (left | right), by which the arch is chosen; None where not known.
    """

    arch: str | None
    difference_deg: tuple[float, float]
    width_difference_mm: tuple[float, float]
    words: str  # parallel | too narrow | too wide | soft | not known
    larger: str | None = None

    @property
    def at_larger_deg(self) -> float:
        """Difference at the larger shoulder, NaN where not known."""
        left, right = self.difference_deg
        return {"left": left, "right": right}.get(self.larger or "", float("nan"))


@dataclass(frozen=True)
class Finding:
    """One thing seen, with its figure and what helps. side: left | right | both | none."""

    code: str
    place: str
    side: str
    value: float
    unit: str
    sd: float
    words: str
    helps: str


@dataclass(frozen=True)
class HandCheck:
    """What the hand should feel. state: saddle only | with set-up | mounted. feel: firm | even | light | daylight."""

    place: str
    side: str
    state: str
    feel: str
    gap_mm: float
    sd_mm: float


@dataclass(frozen=True)
class Rival:
    """Another set-up worth showing: differs in kind, or a try. why: in words."""

    setup: Setup
    contact: Contact
    why: str


@dataclass(frozen=True)
class Held:
    """The same horse held otherwise, mounted. weight: beside 1 for standing square."""

    name: str
    weight: float
    as_found: Contact
    with_setup: Contact | None


@dataclass(frozen=True)
class SearchReport:
    """setups: how many the stock allows. refused_by: limit → how many it cut. exact: proven optimum.

    excluded: shown by bounds to break a limit or to cost too much to matter, without being solved. solved: how many
    were solved for it; the rest breaks a limit of stacks or of the arch.
    """

    setups: int
    feasible: int
    refused_by: Mapping[str, int]
    cost: float
    exact: bool
    excluded: int = 0
    solved: int = 0


@dataclass(frozen=True)
class Confidence:
    share: float
    draws: int
    told_apart: bool
    sensitive_to: str | None


@dataclass(frozen=True)
class SecondOpinion:
    """Coupled elastic layers beside the springs; peak and mean kPa at ν 0.45 (0.30 as the range)."""

    peak_kpa: float
    mean_kpa: float
    peak_nu030_kpa: float
    peak_springs_kpa: float
    difference: float  # of the peak, as a share
    rivals: Mapping[str, float]  # as found, rivals and tries: their peak kPa
    rivals_springs: Mapping[str, float] = field(default_factory=dict)  # the same on springs, on the same grid
    unsure: tuple[str, ...] = ()  # of these: ordered against the choice otherwise than springs do, by more than 10 %


@dataclass(frozen=True)
class TakeOutStep:
    """weeks: after how many weeks to look; what: which layer comes out if …"""

    weeks: int
    what: str


@dataclass(frozen=True)
class Placement:
    """Where the saddle sits. front_x_mm: arch's front edge in the back frame. source: marked | rule.

    origin_mm (3,): saddle frame's origin in the back frame at the reference pose.
    """

    front_x_mm: float
    origin_mm: FloatArray
    source: str
    sd_mm: float


@dataclass(frozen=True)
class Fit:
    """Everything that export needs."""

    back: Back
    saddle: Saddle
    pad: Pad
    case: Case
    placement: Placement
    verdict: str
    sentence: str
    setup: Setup | None  # None: vet or saddle first without --anyway, or nothing can be told
    level_setup: Setup | None
    as_found: Contact
    with_setup: Contact | None
    arch: ArchJudgement
    second_opinion: SecondOpinion | None
    tries: tuple[Rival, ...]
    runners_up: tuple[Rival, ...]
    search: SearchReport | None
    confidence: Confidence | None
    flocking_mm: Mapping[str, float]
    findings: tuple[Finding, ...]
    hand_checks: tuple[HandCheck, ...]
    take_out: tuple[TakeOutStep, ...]
    cautions: tuple[str, ...]
    recheck_weeks: int
    recheck_on: str | None  # ISO date, None when no date was told
    horse_load: Mapping[str, float]  # rider_share, rider_and_tack_share of the horse's weight, NaN if not told
    stances: tuple[Held, ...] = ()
    level_contact: Contact | None = None  # of level_setup
