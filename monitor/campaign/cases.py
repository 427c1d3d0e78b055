"""Cases of the campaign."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from glob import escape
from typing import Any

from decoders.events import Plane
from decoders.line_coding.characters import LineForm

from ..errors import InputError
from ..faults.catalogue import CATALOGUE, parse_fault
from .conditions import LinkConditions

__all__ = ["BASELINE", "COMBINATIONS", "VARIANTS", "Case", "case_of", "choose", "every_case"]

BASELINE = "baseline"
_PLANE_OF = {"delay": "line", "fec": "line", "scrambling": "sync"}
"""Where the counters of faults stand that have no plane of that name."""


@dataclass(frozen=True, slots=True)
class Case:
    """Faults that are injected together, as text; one without a hyperframe goes into the usual one.

    `title` names a case of many faults. `pointer_p`, `rate_code`, `delay_bits`, `every_plane` and `first_hfn` are
    settings of its link that differ from those of the campaign. One that is not `listed` has no name of its own.
    """

    faults: tuple[str, ...]
    title: str = ""
    pointer_p: int | None = None
    rate_code: int | None = None
    delay_bits: int | None = None
    first_hfn: int | None = None
    every_plane: bool = False
    option: str | None = None
    form: LineForm | None = None
    listed: bool = True

    @property
    def name(self) -> str:
        return self.title or " + ".join(self.faults) or BASELINE

    @property
    def choice(self) -> tuple[str, ...]:
        """The words of the command line that choose this case alone."""
        if self.listed:
            return ("--only", escape(self.name))
        return ("--case", " + ".join(self.faults))

    @property
    def is_baseline(self) -> bool:
        return not self.faults and not self.title

    @property
    def planes(self) -> frozenset[str]:
        """Planes that must be served for the case to say anything; every plane where there is no fault."""
        planes = {text.split(".")[0] for text in self.faults}
        return frozenset(_PLANE_OF.get(plane, plane) for plane in planes) or frozenset(Plane)

    def conditions(self, usual: LinkConditions) -> LinkConditions:
        """The link of this case; InputError where there is none."""
        changed: dict[str, Any] = {
            "pointer_p": self.pointer_p,
            "hdlc_rate_code": self.rate_code,
            "delay_bits": self.delay_bits,
            "first_hfn": self.first_hfn,
            "option": self.option,
            "form": self.form,
        }
        changed = {name: value for name, value in changed.items() if value is not None}
        if self.option is not None and self.option != usual.option:  # of another line
            changed |= {"fec": False, "scrambling": None}
        if self.delay_bits is not None and usual.form is not LineForm.BITS:
            raise InputError(f"form {usual.form.value} has no word alignment; choose --form bits")
        if self.every_plane:
            changed["every_plane"] = True
        if self.form is not None:
            changed["crafted"] = True
        return replace(usual, **changed) if changed else usual

    @property
    def plane(self) -> str:
        """Plane of the fault; `combined` where there are more."""
        if not self.faults:
            return BASELINE
        planes = {text.split(".")[0] for text in self.faults}
        return planes.pop() if len(planes) == 1 else "combined"


VARIANTS: Mapping[str, tuple[str, ...]] = {
    "line.flip": ("bit=9", "w=0,x=20"),
    "line.burst": ("count=3,span=10",),
    "line.violation": ("count=15", "count=16"),
    "line.slip": ("bits=-1",),
    "line.character": ("characters=-1",),
    "line.k": ("code=5", "code=10"),
    "line.dark": ("level=1,hyperframes=3",),
    "sync.comma": ("count=2", "count=3"),
    "sync.hfn": ("value=7",),
    "sync.bfn": ("xor=0x400",),
    "sync.jump": ("by=-1", "by=150"),
    "l1.reset": ("hyperframes=9", "hyperframes=10"),
    "l1.pointer": ("hyperframes=6,value=30",),
    "l1.rate": ("hyperframes=6,value=2",),
    "hdlc.fcs": ("xor=0x8000",),
    "hdlc.fcs_order": ("order=1",),
    "hdlc.abort": ("after=12",),
    "hdlc.short": ("octets=2",),
    "hdlc.stuffing": ("ones=1",),
    "ethernet.fcs": ("xor=0x80000000",),
    "ethernet.code": ("group=0", "at=-7"),
    "ethernet.delimiter": ("which=0", "which=1", "which=2", "which=4", "which=5"),
    "ethernet.short": ("octets=5",),
    "ethernet.long": ("octets=1523,tag=1",),
    "ethernet.size": ("octets=64", "octets=1522,tag=1"),
    "vendor.value": ("hyperframes=3", "ns=16,xs=3"),
    "vendor.flip": ("ns=39,xs=0",),
    "iq.flip": ("x=255,w=15,bit=7",),
    "delay.step": ("bits=-7", "bits=10"),
    "scrambling.seed": ("hyperframes=3", "seed=0"),
}
"""Further parameters with which a fault is also put in, beside its defaults."""

COMBINATIONS: tuple[tuple[str, ...], ...] = (
    ("hdlc.fcs", "ethernet.fcs"),
    ("hdlc.abort", "ethernet.code", "vendor.value"),
    ("sync.hfn", "hdlc.fcs"),
    ("sync.bfn", "iq.flip"),
    ("line.disparity", "vendor.value"),
    ("line.violation", "ethernet.fcs"),
    ("sync.comma", "hdlc.abort"),
    ("l1.rai", "l1.sdi", "hdlc.short"),
    ("ctrl_axc.flip", "reserved.flip", "vendor.flip"),
    ("sync.filler", "ethernet.delimiter", "hdlc.unaligned"),
)
"""Faults of different planes in the same hyperframe: each must be told as if it were alone."""


def every_case() -> list[Case]:
    """The quick size: baseline, each fault with its defaults and variants, and the combinations."""
    out = [Case(())]
    for name in CATALOGUE:
        out.append(Case((name,)))
        out += [Case((f"{name}:{variant}",)) for variant in VARIANTS.get(name, ())]
    return out + [Case(texts) for texts in COMBINATIONS]


def case_of(text: str) -> Case:
    """A case of the faults named in a text, with + between them; InputError where one is none."""
    faults = tuple(part.strip() for part in text.split(" + "))
    for fault in faults:
        parse_fault(fault)
    # Where they stand apart only the sender's list says what must follow from all of them.
    apart = any(parse_fault(fault).hyperframe is not None for fault in faults)
    return Case(faults, text if apart or len(faults) > 1 else "", listed=False)


def choose(cases: Iterable[Case], only: Sequence[str] = (), skip: Sequence[str] = ()) -> list[Case]:
    """Cases whose name fits a pattern of `only` (all, if empty) and none of `skip`; the baseline always stays.

    InputError where a pattern fits nothing. A pattern fits a whole name, as a shell's does.
    """
    every = list(cases)
    for pattern in [*only, *skip]:
        if not any(fnmatchcase(case.name, pattern) for case in every):
            raise InputError(
                f"no case matches {pattern!r}", hint="framefray campaign SOURCE --list shows their names"
            )

    def wanted(case: Case) -> bool:
        if case.is_baseline:
            return True
        inside = not only or any(fnmatchcase(case.name, p) for p in only)
        return inside and not any(fnmatchcase(case.name, p) for p in skip)

    return [case for case in every if wanted(case)]
