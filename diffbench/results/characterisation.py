"""What one unit does, as measured: the frozen result of a fit, and its JSON document.

Results hold no library's types: plain numbers and texts, frozen and versioned. The cells behind them
(``evidence``) are for pictures and not written.
"""

from __future__ import annotations

import importlib
import json
import math
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    SerializerFunctionWrapHandler,
    ValidationError,
    model_serializer,
    model_validator,
)

from diffbench.definitions import DEFINITIONS
from diffbench.documents.build import PreloadLawName
from diffbench.documents.faults import refusal
from diffbench.errors import DocumentError, Fault, Place
from diffbench.input_files import unfit_values
from diffbench.plain_text import whole_texts
from diffbench.results.left_out import DiscrepancyState
from diffbench.results.manifest import content_digest, document, read_whole

if TYPE_CHECKING:
    from diffbench.documents import Build

Array = NDArray[np.float64]

FORMAT: Literal["diffbench-characterisation/1"] = "diffbench-characterisation/1"
Status = Literal["measured", "stated", "not-determined"]


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    @model_validator(mode="before")
    @classmethod
    def _texts_that_can_be_written(cls, content: Any) -> Any:
        """Names of files need not be Unicode; what a document says of them is."""
        return whole_texts(content) if isinstance(content, dict) else content


class Parameter(_Frozen):
    """One quantity: value, standard uncertainty, 95 % interval, and where the doubt comes from.

    ``budget`` gives the part of ``u`` from each source; their squares add up to that of ``u``. ``needs`` says
    what would determine a quantity that is not, or not well. ``at_input_torque_Nm`` is there where a quantity
    is of one input torque.
    """

    value: float | None
    u: float | None
    low: float | None
    high: float | None
    unit: str
    status: Status
    meaning: str
    needs: str | None = None
    budget: dict[str, float] = Field(default_factory=dict)
    at_input_torque_Nm: float | None = None

    @model_serializer(mode="wrap")
    def _without_a_place_that_is_none(self, written: SerializerFunctionWrapHandler) -> dict[str, Any]:
        """Documents of quantities that have no such place, and their hashes, stay as they were."""
        content: dict[str, Any] = written(self)
        if content.get("at_input_torque_Nm") is None:
            content.pop("at_input_torque_Nm", None)
        return content


class Correlation(_Frozen):
    """Correlation matrix of the fitted quantities, row by row."""

    names: list[str]
    matrix: list[list[float]]


class LawVerdict(_Frozen):
    """Which preload law, and by what evidence.

    ``information`` is the Bayesian information criterion of each law less the best one's, with correlated
    samples counted at their effective number: above 10 is decisive (Kass & Raftery 1995).
    """

    chosen: PreloadLawName
    status: Literal["measured", "stated", "undecided"]
    information: dict[str, float]
    reason: str


class FormState(_Frozen):
    """One form of the model as fitted: what the map and comparisons are computed from."""

    law: PreloadLawName
    stribeck_exponent: float | None
    """Of friction over speed, where its law has one."""
    friction_law: str = ""
    """Of friction over speed; empty in older results, where the Stribeck exponent says it."""
    weight: float
    names: list[str]
    logarithms: list[bool]
    values: list[float]
    covariance: list[list[float]]
    shares: dict[str, list[list[float]]]
    discrepancy: DiscrepancyState | None = None
    """What the law leaves out; not in older results."""

    @model_validator(mode="after")
    def _has_friction_law(self) -> Self:
        from diffbench.physics.friction import FRICTION_LAWS

        if self.friction_law not in {"", *FRICTION_LAWS}:
            raise refusal(f"the friction law '{self.friction_law}' is not known", "use a newer diffbench")
        if not self.friction_law and self.stribeck_exponent is None:
            raise refusal("neither friction_law nor stribeck_exponent is there", "make it again")
        return self


class Tested(_Frozen):
    """What the bench covered: a convex outline over input torque and speed difference, temperatures, and how
    far down the unloading branch of each flank was seen."""

    outline: list[tuple[float, float]]
    temperature_degC: tuple[float, float]
    drive_unloading_Nm: float
    coast_unloading_Nm: float
    drive_ramp_seen: bool
    coast_ramp_seen: bool


class FindingRecord(_Frozen):
    """A finding as documented."""

    name: str
    severity: Literal["note", "caveat", "stop"]
    where: str
    evidence: str
    effect: str
    mend: str


class Adequacy(_Frozen):
    """Whether the residual has structure along an axis: ``ratio`` of the scatter of its bin means to what
    noise explains; ``share`` of the torque difference there that the worst one is off by."""

    axis: str
    ratio: float
    bins: int
    worst: str
    share: float = 0.0


class Diagnostics(_Frozen):
    """How the fit went, each verdict on its own."""

    converged: bool
    starts_agree: bool
    at_bound: list[str]
    residuals_clean: bool
    residual_rms_Nm: float
    cells: int
    samples: int
    samples_used: int
    effective_samples: float
    dropped: dict[str, dict[str, int]]
    noise_method: str
    misfit_factor: float
    adequacy: list[Adequacy]
    detectable: float | None = None
    """Departure from the law, as a share of the locking torque, that each of the tests would have shown nine
    times in ten; None where none was asked for, as in older results."""
    unseen: dict[str, float | None] = {}
    """The same of each departure by its name; None for one that would not have shown at any size."""
    bench_errors: dict[str, dict[str, float]]


class SheetCheck(_Frozen):
    """Build sheet against bench: two ways to one number, and how many standard uncertainties they are
    apart."""

    quantity: str
    from_bench: float
    from_sheet: float
    unit: str
    standard_uncertainties: float
    readings: str


class LimitVerdict(_Frozen):
    """A limit of the build sheet against value and interval."""

    quantity: str
    low: float
    high: float
    unit: str
    verdict: Literal["within", "outside", "not proven"]


class Provenance(_Frozen):
    """Where the numbers come from."""

    version: str
    made: str
    inputs: dict[str, str]
    visits: list[str]


class Gain(_Frozen):
    """What a further run would do to one quantity: standard uncertainty now, and as predicted then."""

    quantity: str
    unit: str
    u_now: float
    u_then: float


class NextTest(_Frozen):
    """A run that would help, and the uncertainties that it would bring down by a fifth or more."""

    run: str
    gains: list[Gain]


class SpringFacts(_Frozen):
    """Disc springs of the build sheet: dimensions of one and how the stack is made, and the standard
    uncertainties [m] that the sheet states, by dimension."""

    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    cone_height_m: float
    parallel: int
    series: int
    u_m: dict[str, float] = Field(default_factory=dict)

    @classmethod
    def of(cls, sheet: Build) -> SpringFacts | None:
        """As a build sheet has them; None where it states none."""
        stated = sheet.preload.disc_spring
        if stated is None:
            return None
        sizes = {
            name: getattr(stated, name)
            for name in ("outer_diameter", "inner_diameter", "thickness", "cone_height")
        }
        return cls(
            **{f"{name}_m": size.value for name, size in sizes.items()},
            parallel=stated.parallel,
            series=stated.series,
            u_m={name: size.u for name, size in sizes.items() if size.u},
        )


class BuildFacts(_Frozen):
    """What the map and later comparisons need of the build sheet, in SI.

    Of several builds fitted together each also has the ``folder`` of its own set of results, its ``date``,
    what of it was ``tested``, and how far its map shall reach.
    """

    unit: str
    build: str
    distance_m: float | None
    faces: int
    effective_radius_m: float
    pin_radius_m: float | None
    drive_angle_deg: float | None
    coast_angle_deg: float | None
    shim_m: float | None = None
    disc_spring: SpringFacts | None = None
    face_wear_limit_m: float | None = None
    folder: str | None = None
    date: str | None = None
    tested: Tested | None = None
    map_axes: dict[str, tuple[float, float] | None] | None = None


@dataclass(frozen=True, eq=False)
class Evidence:
    """The cells behind the fit, for pictures: all (c,); torque in N·m, speed in rad/s, temperature in °C,
    time in s. ``run_builds``: the build that each run is of."""

    run: NDArray[np.int64]
    run_names: tuple[str, ...]
    run_kinds: tuple[str, ...]
    time: Array
    input_torque: Array
    speed_difference: Array
    direction: Array
    oil: Array
    plate: Array
    loading: NDArray[np.bool_]
    locking: Array
    model: Array
    sigma: Array
    used: NDArray[np.bool_]
    run_builds: tuple[str, ...] = ()


class Characterisation(_Frozen):
    """What one unit does. ``parameters`` by name; the rest is how sure that is and why.

    ``sha256`` is of the content (`content_digest`); a file without it was written by an older version.
    """

    format: Literal["diffbench-characterisation/1"] = FORMAT
    unit: str
    build: str
    builds: list[BuildFacts]
    date: str
    reference: dict[str, float]
    law: LawVerdict
    parameters: dict[str, Parameter]
    correlation: Correlation
    sheet_checks: list[SheetCheck]
    limits: list[LimitVerdict]
    tested: Tested
    diagnostics: Diagnostics
    findings: list[FindingRecord]
    assumed_exact: list[str]
    next_steps: list[str]
    next_tests: list[NextTest] = Field(default_factory=list)
    forms: list[FormState]
    map_axes: dict[str, tuple[float, float] | None]
    provenance: Provenance
    sha256: str | None = None
    _evidence: Evidence | None = PrivateAttr(default=None)

    @property
    def evidence(self) -> Evidence | None:
        """The cells behind the fit; None when the characterisation was read from a file."""
        return self._evidence

    def with_evidence(self, evidence: Evidence) -> Characterisation:
        """The same characterisation with the cells behind it (not written to files)."""
        other = self.model_copy()
        other._evidence = evidence
        return other

    def value(self, name: str) -> float:
        """Value of a quantity [SI]. Raises KeyError for an unknown name, ValueError where it is not
        determined."""
        parameter = self.parameters[name]
        if parameter.value is None:
            msg = f"{name} is not determined: {parameter.needs}"
            raise ValueError(msg)
        return parameter.value

    def _repr_html_(self) -> str:
        """As a notebook shows it: key numbers and a figure of their intervals."""
        # by its name, as what people see lies above what is shown
        html: str = importlib.import_module("diffbench.report.notebook").characterisation_html(self)
        return html

    @property
    def digest(self) -> str:
        """SHA-256 of the content (`content_digest`), by which the other files of its result name it."""
        return content_digest(self.model_dump(mode="json", exclude={"sha256"}))

    def to_json(self) -> str:
        """The document as JSON text, numbers in full, with the hash of its content."""
        content = self.model_dump(mode="json", exclude={"sha256"})
        content["sha256"] = content_digest(content)
        return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def load_characterisation(path: str | Path) -> Characterisation:
    """Read ``characterisation.json``, or that of the folder of a result. Raises ``DocumentError`` naming
    file, key and mend where it is not one, or is not as it was written."""
    file = document(Path(path), "characterisation.json")
    try:
        text = read_whole(file).decode("utf-8")
    except OSError as error:
        raise DocumentError.single(
            f"cannot be read ({error.strerror})", file=str(file), mend="check the path"
        ) from error
    except UnicodeDecodeError as error:
        raise DocumentError.single(
            "is not UTF-8 text", file=str(file), mend="make it again with diffbench fit"
        ) from error
    try:
        read = Characterisation.model_validate_json(text)
    except ValidationError as error:
        raise DocumentError(
            [
                Fault(
                    item["msg"],
                    Place(str(file), key=".".join(str(part) for part in item["loc"]) or None),
                    "make it again with diffbench fit; a file of a newer version needs a newer diffbench",
                )
                for item in error.errors()[:20]
            ]
        ) from error
    faults = _content_faults(read, str(file))
    if faults:
        raise DocumentError(faults)
    found = content_digest(json.loads(text))
    if read.sha256 not in (None, found):
        raise DocumentError.single(
            f"the content does not match its hash (written {read.sha256:.12}…, found {found[:12]}…): "
            "the file was edited or damaged",
            file=str(file),
            key="sha256",
            mend="make it again with diffbench fit, or take the hash out if the change was meant",
        )
    # what was read is what it says it is: from here on the hash follows from the content
    return read.model_copy(update={"sha256": None})


def _content_faults(read: Characterisation, file: str) -> list[Fault]:
    """What the numbers of a well-formed characterisation cannot be."""
    mend = "make it again with diffbench fit: this one was edited or damaged"
    faults = [
        Fault(what, Place(file, key=key), mend) for key, what in islice(unfit_values(read.model_dump()), 20)
    ]
    for name, item in read.parameters.items():
        key = f"parameters.{name}"
        if item.u is not None and item.u < 0.0:
            faults.append(Fault("the uncertainty is negative", Place(file, key=f"{key}.u"), mend))
        low = -math.inf if item.low is None else item.low
        high = math.inf if item.high is None else item.high
        if item.value is not None and not low <= item.value <= high:
            faults.append(Fault("the value is not within its own interval", Place(file, key=key), mend))
    return faults


def document_schema() -> dict[str, Any]:
    """JSON Schema of ``characterisation.json``."""
    schema = Characterisation.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["$id"] = FORMAT
    schema["title"] = FORMAT
    named = {"$ref": "#/$defs/Parameter"}
    schema["properties"]["parameters"]["properties"] = {
        name: {**named, "description": f"{one.described} [{one.unit}]"}
        for name, one in DEFINITIONS.items()
        if one.in_result
    }
    return schema
