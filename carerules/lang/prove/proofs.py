"""All proofs over one plan, in one pass and within one bound of work.

Knows the order of the proofs. Does not know any of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeVar

from carerules.domain.diagnostic import Diagnostic
from carerules.domain.frozen import guarded
from carerules.domain.pack import Pack
from carerules.domain.plan import Never, Plan, Rule
from carerules.domain.signal import Catalogue
from carerules.lang.prove import told
from carerules.lang.prove.alone import alone, idle_rearm
from carerules.lang.prove.box import MEETS_MAX, Spent, Work
from carerules.lang.prove.cells import CellModel
from carerules.lang.prove.gaps import gaps
from carerules.lang.prove.ground import Ground
from carerules.lang.prove.interlock import interlocked
from carerules.lang.prove.pingpong import ping_pong
from carerules.lang.prove.rivals import rivals
from carerules.lang.prove.verdict import (
    AlwaysTrue,
    Gap,
    IdleRearm,
    Interlocked,
    Meeting,
    Misfit,
    NeverTrue,
    OnlyAtFirst,
    PingPong,
    Rivals,
    Undecided,
    Verdict,
)
from carerules.lang.prove.volts import misfit

V = TypeVar("V")


@guarded
class Proofs:
    """Everything that was found out about a plan."""

    never_true: tuple[NeverTrue, ...] = ()
    only_at_first: tuple[OnlyAtFirst, ...] = ()
    always_true: tuple[AlwaysTrue, ...] = ()
    idle_rearms: tuple[IdleRearm, ...] = ()
    misfits: tuple[Misfit, ...] = ()
    rivals: tuple[Rivals, ...] = ()
    interlocks: tuple[Interlocked, ...] = ()
    loops: tuple[PingPong, ...] = ()
    gaps: tuple[Gap, ...] = ()
    undecided: tuple[Undecided, ...] = ()
    models: tuple[str, ...] = ()

    @property
    def cut_short(self) -> bool:
        """Whether the bound of work came before the end of the proofs."""
        return any(one.why == SPENT for one in self.undecided)

    def diagnostics(self) -> tuple[Diagnostic, ...]:
        """What is wrong, by place in the text; at most as many as a check shows."""
        verdicts: list[Verdict] = [
            *self.never_true, *self.only_at_first, *self.always_true, *self.idle_rearms,
            *self.misfits, *self.rivals, *self.interlocks, *self.loops, *self.undecided,
        ]  # fmt: skip
        return told.diagnostics(verdicts)

    def table(self) -> str:
        """The lines of the proofs, with the model that they hold under; empty: nothing to prove."""
        return told.table(self.interlocks, self.gaps, self.models)


def prove(
    plan: Plan, signals: Catalogue, packs: Iterable[Pack] | None = None,
    cells: Mapping[str, CellModel] | None = None, *, meets: int = MEETS_MAX,
    work: Work | None = None,
) -> Proofs:  # fmt: skip
    """Every verdict about the plan. Pure, and bounded by a number of meetings of boxes, or by
    `work`, which can be given up on the way.

    `packs` are the site's; None: the site is unknown, and any label could be. `cells` says by the
    name of a pack how its cells behave; without, any voltage may be at any charge. What the bound,
    or the prover's knowledge, leaves open is in `undecided`.
    """
    known = None if packs is None else tuple(packs)
    ground = Ground(signals, known, work or Work(meets), cells)
    if known == ():
        return Proofs()
    everything: list[Rule | Never] = [*plan.rules, *plan.nevers]
    found, spent = _as_far_as_it_goes(alone(ground, what) for what in everything)
    dead = {id(one.what) for one in found if isinstance(one, (NeverTrue, OnlyAtFirst))}
    rules = [rule for rule in plan.rules if id(rule) not in dead]
    for proof in (
        (idle_rearm(ground, rule) for rule in rules),
        (misfit(ground, what) for what in everything),
        rivals(ground, rules),
        interlocked(ground, rules, plan.nevers),
        ping_pong(ground, rules),
        gaps(ground, plan.rules),
    ):
        more, at_end = _as_far_as_it_goes(proof)
        found += more
        spent = spent or at_end
    if spent and everything:
        found.append(Undecided(everything[0], "what else is wrong", SPENT))
    against = _only(Interlocked, found)
    return Proofs(
        _only(NeverTrue, found), _only(OnlyAtFirst, found), _only(AlwaysTrue, found),
        _only(IdleRearm, found), _only(Misfit, found), _only(Rivals, found), against,
        _only(PingPong, found), _only(Gap, found),
        _undecided(found, against),
        tuple(dict.fromkeys(one.show() for one in (cells or {}).values())),
    )  # fmt: skip


SPENT = "the rules are too many, or too tangled, for the time of one check"


def _as_far_as_it_goes(proof: Iterable[Verdict | None]) -> tuple[list[Verdict], bool]:
    """The verdicts of a proof, and whether the work ran out before its end."""
    found: list[Verdict] = []
    try:
        for one in proof:
            if one is not None:
                found.append(one)
    except Spent:
        return found, True
    return found, False


def _only(kind: type[V], found: Sequence[object]) -> tuple[V, ...]:
    return tuple(one for one in found if isinstance(one, kind))


def _undecided(found: Sequence[object], against: Sequence[Interlocked]) -> tuple[Undecided, ...]:
    """Each question that is left open; those about one `never` and one rule once."""
    left = list(_only(Undecided, found))
    for one in against:
        if one.meeting is not Meeting.UNDECIDED:
            continue
        question = f"whether `{told.line_said(one.action)}` can meet it"
        left.append(Undecided(one.rule, question, "too many cases, or values that hang together"
                              " in a way unknown here", one.never))  # fmt: skip
    return tuple(dict.fromkeys(left))
