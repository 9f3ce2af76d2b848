"""What a fleet is asked, cut into bunches, and what comes back, summed: the whole of a question.

Knows folders, hands and shapes. Does not know who the hands are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from carerules.adapters import Problem, quoted
from carerules.domain.frozen import guarded
from carerules.domain.moment import DAY, SECOND, Moment
from carerules.domain.plan import Plan
from carerules.domain.signal import Signal
from carerules.fleet.folder import SITES_MAX, TapeShape, read_list, sites_of
from carerules.fleet.hand import Work
from carerules.fleet.hands import Hands, HandsError, told_by
from carerules.fleet.replaying import (
    FleetChange,
    ReplayAsked,
    ReplayTold,
    RuleFiles,
    counts_packs,
    newest,
)
from carerules.fleet.reporting import (
    CYCLE_EDGES,
    HEALTH_EDGES,
    KindTold,
    ReportTold,
    WorkTold,
    Worn,
    added,
    worst,
)
from carerules.fleet.which import version
from carerules.lang import Loaded, Names
from carerules.report.fleet import (
    COUNTS_PACKS,
    FleetBandShape,
    FleetFiringShape,
    FleetKindShape,
    FleetLevelShape,
    FleetReplayShape,
    FleetReportShape,
    FleetRetireShape,
    FleetRuleShape,
    FleetWorkShape,
    replay_limits,
)
from carerules.report.month import EDGES
from carerules.report.pack import tidy


@guarded
class Fleet:
    """A folder of sites, and what each one's list says; by the folder's name."""

    folder: Path
    sites: Mapping[str, TapeShape]

    def path(self, site: str) -> str:
        """Where a site's files are, as every machine must see it."""
        inside = self.folder / site
        return str(inside if inside.is_dir() else self.folder)

    def names(self) -> Names:
        """What rules may name: what at least one site has."""
        packs = [pack for site in self.sites.values() for pack in site.packs]
        return Names(
            packs=frozenset(one.name for one in packs),
            chemistries=frozenset(one.chemistry for one in packs),
            tags=frozenset(tag for one in packs for tag in one.tags),
            roles=frozenset(one.role for one in packs if one.role),
        )

    def signals(self) -> Sequence[Signal]:
        """The sites' own signals, each once. Raises HandsError where two sites mean two things."""
        found: dict[str, Signal] = {}
        for site in self.sites.values():
            for one in site.signals:
                known = found.setdefault(one.name, one.signal())
                if known.dimension != one.signal().dimension:
                    raise HandsError(f"found `{one.name}` in two units over the fleet, wanted one; "
                                     "mend: leave one of the sites out")  # fmt: skip
        return list(found.values())

    @property
    def packs(self) -> int:
        """Of all sites."""
        return sum(len(one.packs) for one in self.sites.values())

    def pack_days(self, stretch: Mapping[str, tuple[Moment, Moment]]) -> float:
        """Of all packs, each over its own site's stretch."""
        whole = sum(len(one.packs) * (stretch[name][1] - stretch[name][0])
                    for name, one in self.sites.items())  # fmt: skip
        return tidy(whole / DAY)

    def stretches(self) -> Mapping[str, tuple[Moment, Moment]]:
        """From when to when each site was heard."""
        return {name: (one.begins, one.ends) for name, one in self.sites.items()}

    def outermost(self, stretch: Mapping[str, tuple[Moment, Moment]]) -> tuple[datetime, datetime]:
        """The first beginning and the last end by the wall, in UTC."""
        lead = {name: one.offsets[-1][1] for name, one in self.sites.items()}
        return (_utc(min(stretch[name][0] + lead[name] for name in self.sites)),
                _utc(max(stretch[name][1] + lead[name] for name in self.sites)))  # fmt: skip


def open_fleet(folder: Path) -> Fleet | Problem:
    """The fleet that lies there; or what is wrong with it."""
    folder = folder.absolute()  # workers begin elsewhere
    try:
        paths = sites_of(folder)
    except OSError as error:
        return Problem(f"{quoted(folder)}: {(error.strerror or 'unreadable').lower()}",
                       "a folder of tapes", "`carerules export --tape` makes them")  # fmt: skip
    if len(paths) > SITES_MAX:
        return Problem(f"{len(paths)} sites in {quoted(folder)}", f"at most {SITES_MAX}",
                       "ask of a part of them at a time")  # fmt: skip
    found: dict[str, TapeShape] = {}
    for path in paths:
        listed = read_list(path)
        if isinstance(listed, Problem):
            return listed
        found[path.name] = listed
    if not any(one.packs for one in found.values()):
        return Problem(f"no tape in {quoted(folder)}", "a folder of tapes, one for each site",
                       "`carerules export --tape` makes one")  # fmt: skip
    return Fleet(folder, found)


# ---- replay ----------------------------------------------------------------------------------


def rule_files(loaded: Loaded, named: Sequence[str]) -> RuleFiles:
    """The texts of rules that were checked, to be read again elsewhere."""
    return RuleFiles(texts=tuple(sorted(loaded.sources.items())), named=tuple(named))


@guarded
class RuleSide:
    """Rules that were checked: what the file is called, its texts, and what they came to."""

    file: str
    texts: RuleFiles
    plan: Plan


def replay_fleet(
    fleet: Fleet, rules: RuleSide, instead_of: RuleSide | None,
    stretch: Mapping[str, tuple[Moment, Moment]], hands: Hands, at: Callable[[int], None],
) -> FleetReplayShape:  # fmt: skip
    """Every firing of the rules over the fleet, counted. Raises HandsError."""
    spoken = [_flat(one) for one in fleet.signals()]
    works: list[Work] = []
    for name, listed in fleet.sites.items():
        asked = ReplayAsked(
            site=name, since=stretch[name][0], until=stretch[name][1], rules=rules.texts,
            instead_of=None if instead_of is None else instead_of.texts, signals=spoken,
        )  # fmt: skip
        works += [_work(fleet, name, listed, "replay", number, asked)
                  for number in range(len(listed.bunches))]  # fmt: skip
    readings, firings = 0, list[FleetChange]()
    counts: dict[str, dict[str, int]] = {}
    packs: dict[str, int] = {}
    last: dict[str, int] = {}
    by_engine: dict[str, str] = {}
    for done in told_by(hands, works, at):
        told: ReplayTold = done["told"]
        readings += told["rows"]
        for rule, changes in told["counts"].items():
            own = counts.setdefault(rule, {})
            for change, count in changes.items():
                own[change] = own.get(change, 0) + count
        for rule, count in told["packs"].items():
            packs[rule] = packs.get(rule, 0) + count
        for rule, moment in told["last"].items():
            last[rule] = max(last.get(rule, 0), moment)
        by_engine |= told["by_engine"]
        firings = newest([*firings, *told["firings"]])
    sides = [rules] if instead_of is None else [rules, instead_of]
    whole = {one.name: one for side in reversed(sides) for one in side.plan.rules}
    since, until = fleet.outermost(stretch)
    return FleetReplayShape(
        fleet=fleet.folder.name, rules_file=rules.file,
        instead_of=None if instead_of is None else instead_of.file, since=since, until=until,
        sites=len(fleet.sites), packs=fleet.packs, pack_days=fleet.pack_days(stretch),
        readings=readings,
        rules=[
            _rule(name, rules.plan, None if instead_of is None else instead_of.plan,
                  counts.get(name, {}), packs.get(name, 0), last.get(name), by_engine.get(name))
            for name in whole
        ],
        firings=[
            FleetFiringShape(at=_utc(moment), site=site, pack=pack, rule=rule, change=change,
                             was_at=None if was is None else _utc(was))
            for moment, site, pack, rule, change, was in reversed(firings)
        ],
        not_shown=sum(sum(one.values()) for one in counts.values()) - len(firings),
        limits=replay_limits(
            sum(one.left_out for one in fleet.sites.values()),
            sum(one.forgotten_before is not None for one in fleet.sites.values()),
            list(fleet.sites),
        ),
    )  # fmt: skip


def _rule(
    name: str, after: Plan, before: Plan | None, counts: Mapping[str, int], packs: int,
    last: int | None, by_engine: str | None,
) -> FleetRuleShape:  # fmt: skip
    def has(plan: Plan | None) -> bool:
        return plan is not None and any(one.name == name for one in plan.rules)

    of_packs = any(counts_packs(one) for plan in (after, before) if plan is not None
                   for one in plan.rules if one.name == name)  # fmt: skip
    stays = counts.get("same", 0) + counts.get("moved", 0)
    return FleetRuleShape(
        rule=name,
        before=stays + counts.get("gone", 0) if has(before) and not of_packs else None,
        after=stays + counts.get("added", 0) if has(after) and not of_packs else None,
        added=counts.get("added", 0), gone=counts.get("gone", 0), moved=counts.get("moved", 0),
        packs=packs, last_at=None if last is None else _utc(last), by_engine=by_engine,
        left_out=COUNTS_PACKS if of_packs else None,
    )  # fmt: skip


def _flat(signal: Signal) -> dict[str, object]:
    return {
        "name": signal.name, "dimension": signal.dimension.name, "unit": signal.dimension.unit,
        "max_age_ms": signal.max_age, "low": signal.low, "high": signal.high,
        "bridge_ms": signal.bridge,
    }  # fmt: skip


def _work(
    fleet: Fleet, site: str, listed: TapeShape, kind: str, bunch: int | None,
    asked: ReplayAsked | None = None,
) -> Work:  # fmt: skip
    return Work(
        version=version(), kind=kind, folder=fleet.path(site), site=site, bunch=bunch,  # type: ignore[typeddict-item]
        begins=listed.begins, ends=listed.ends, replay=asked,
    )  # fmt: skip


# ---- report ----------------------------------------------------------------------------------


def report_fleet(fleet: Fleet, hands: Hands, at: Callable[[int], None]) -> FleetReportShape:
    """What the fleet came to. Raises HandsError."""
    works = [_work(fleet, name, listed, "rules", None) for name, listed in fleet.sites.items()]
    works += [_work(fleet, name, listed, "report", number)
              for name, listed in fleet.sites.items()
              for number in range(len(listed.bunches))]  # fmt: skip
    kinds: dict[str, KindTold] = {}
    rules: dict[str, list[int]] = {}
    worn: list[Worn] = []
    readings = vetoes = now = soon = without = 0
    for done in told_by(hands, works, at):
        if "known" in done["told"]:
            work: WorkTold = done["told"]
            without += not work["known"]
            vetoes += work["vetoes"]
            for rule, row in work["rules"].items():
                own = rules.setdefault(rule, [0] * 5)
                own[:] = [old + new for old, new in zip(own, [*row, 1], strict=True)]
            continue
        told: ReportTold = done["told"]
        readings += told["rows"]
        now, soon = now + told["now"], soon + told["soon"]
        worn = worst([*worn, *told["worn"]])
        for name, kind in told["kinds"].items():
            kinds[name] = added(kinds[name], kind) if name in kinds else kind
    since, until = fleet.outermost(fleet.stretches())
    limits = [f"{without} of {len(fleet.sites)} sites have no tables of decisions and jobs: what "
              "rules did there is unknown"] if without else []  # fmt: skip
    return FleetReportShape(
        fleet=fleet.folder.name, since=since, until=until, sites=len(fleet.sites),
        packs=fleet.packs, pack_days=fleet.pack_days(fleet.stretches()), readings=readings,
        kinds=[_kind(name, kinds[name]) for name in sorted(kinds)],
        rules=[
            FleetWorkShape(rule=name, fired=row[0], done=row[1], ended_else=row[2],
                           energy_wh=tidy(row[3] / 1_000), sites=row[4])
            for name, row in sorted(rules.items())
        ],
        vetoes=vetoes, retire_now=now, retire_soon=soon,
        retire=[
            FleetRetireShape(site=site, pack=pack, why=why, now=at_once,
                             health_percent=None if health < 0 else tidy(health))
            for health, site, pack, why, at_once in worn
        ],
        limits=limits,
    )  # fmt: skip


def _kind(name: str, told: KindTold) -> FleetKindShape:
    return FleetKindShape(
        chemistry=name, packs=told["packs"], pack_days=tidy(told["time"] / DAY),
        levels=[
            FleetLevelShape(from_percent=low, to_percent=high, time_s=time / SECOND)
            for low, high, time in zip(EDGES[:-1], EDGES[1:], told["levels"], strict=True)
        ],
        unknown_s=told["unknown"] / SECOND, cycles=tidy(told["fell"] / 1_000_000),
        cycles_a_month=_bands(CYCLE_EDGES, told["cycles"]),
        health=_bands(HEALTH_EDGES, told["health"]), health_unknown=told["health_unknown"],
        barred=told["barred"],
    )  # fmt: skip


def _bands(edges: Sequence[float], counts: Sequence[int]) -> list[FleetBandShape]:
    lows, highs = (None, *edges), (*edges, None)
    return [
        FleetBandShape(at_least=low, below=high, packs=count)
        for low, high, count in zip(lows, highs, counts, strict=True)
    ]


def _utc(wall_ms: int) -> datetime:
    return datetime.fromtimestamp(wall_ms / 1_000, UTC)
