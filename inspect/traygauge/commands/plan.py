"""`traygauge plan`: how many pieces and scoops a limit needs, before the first photo is taken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from traygauge.commands import photos as asked
from traygauge.commands.saying import say_heading, say_json, say_list, say_table
from traygauge.environment import Environment
from traygauge.exit_codes import ExitCode
from traygauge.words import number_of

if TYPE_CHECKING:
    from traygauge.judge.sampling import SamplingPlan
    from traygauge.judge.spec import Spec

EXAMPLES = """\b
Examples:
  traygauge plan --limit 5
  traygauge plan --spec my-spec.toml --pieces 200
  traygauge plan --limit 5 --good 1 --producer-risk 5 --consumer-risk 10
  traygauge plan --limit 5 --seen 600 --bad 14
  traygauge plan --lot 3000 --aql 1.5"""

#: Shares for the curve, in parts of the limit.
_CURVE = (0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
_MOST_SCOOPS = 8

Limit = Annotated[
    float | None,
    typer.Option("--limit", metavar="PERCENT", min=0.01, max=99, help="The largest share allowed."),
]
Good = Annotated[
    float | None,
    typer.Option(
        "--good",
        metavar="PERCENT",
        min=0.001,
        max=98,
        help="The share that a good batch has. Default: half the limit.",
    ),
]
ProducerRisk = Annotated[
    float,
    typer.Option(
        "--producer-risk", metavar="PERCENT", min=0.1, max=49, help="Of not accepting the good batch."
    ),
]
ConsumerRisk = Annotated[
    float | None,
    typer.Option(
        "--consumer-risk",
        metavar="PERCENT",
        min=0.1,
        max=49,
        help="Of accepting a batch at the limit. Default: what the spec's confidence leaves, or 5.",
    ),
]
PerScoop = Annotated[
    int,
    typer.Option("--pieces", metavar="N", min=1, max=100_000, help="How many pieces one photo shows."),
]
Correlation = Annotated[
    float | None,
    typer.Option(
        "--correlation",
        metavar="R",
        min=0.0,
        max=0.5,
        help="How alike the pieces of one scoop are. Default: the spec's, or 0.002 (common practice).",
    ),
]
Seen = Annotated[
    int | None,
    typer.Option("--seen", metavar="N", min=1, help="Pieces seen so far: says where the sequence stands."),
]
Bad = Annotated[
    int, typer.Option("--bad", metavar="N", min=0, help="How many of the pieces seen are beyond the limit.")
]
Lot = Annotated[
    int | None,
    typer.Option(
        "--lot",
        metavar="N",
        min=2,
        help="Pieces in a lot: the single plan of ISO 2859-1 for it (with --aql).",
    ),
]
Aql = Annotated[
    float | None,
    typer.Option("--aql", metavar="PERCENT", help="Acceptance quality limit of ISO 2859-1, as 1.5."),
]
Level = Annotated[
    str, typer.Option("--level", metavar="I|II|III", help="General inspection level of ISO 2859-1.")
]


def plan(
    context: typer.Context,
    limit: Limit = None,
    spec: asked.Spec = None,
    good: Good = None,
    producer_risk: ProducerRisk = 10.0,
    consumer_risk: ConsumerRisk = None,
    pieces: PerScoop = 300,
    correlation: Correlation = None,
    seen: Seen = None,
    bad: Bad = 0,
    lot: Lot = None,
    aql: Aql = None,
    level: Level = "II",
    json: asked.Json = False,
) -> int:
    """Say how many pieces and scoops are needed, before the photo.

    And how to take them. For one limit, for every share limit of a spec, or after ISO 2859-1 for a lot of known size.
    With --seen and --bad it says where a sequence of scoops stands: accept, reject, or one more (exit code 0, 10, 11).
    """
    env: Environment = context.obj
    if lot is not None or aql is not None:
        return _standard(env, lot, aql, level, json)
    shares = {"": limit} if limit is not None else {}
    if spec is not None:
        from traygauge.judge.spec import read_spec

        read = read_spec(spec)
        shares |= dict(_share_limits(read))
        correlation = read.judging.within_photo_correlation if correlation is None else correlation
        left = 100 * (1 - read.judging.confidence)
        consumer_risk = left if consumer_risk is None else consumer_risk
    if not shares:
        raise typer.BadParameter("say --limit PERCENT, a --spec with a limit on a share, or --lot and --aql")
    for share in shares.values():
        if good is not None and share is not None and good >= share:
            raise typer.BadParameter(f"--good {good:g} must be less than the limit, {share:g} %")
    risks = producer_risk / 100, (5.0 if consumer_risk is None else consumer_risk) / 100
    plans = {
        title: _planned(share, good, risks, pieces, 0.002 if correlation is None else correlation)
        for title, share in shares.items()
        if share is not None
    }
    if seen is not None:
        return _standing(env, plans, seen, bad, json)
    if json:
        say_json(env, {title or "limit": _facts(p) for title, p in plans.items()})
        return ExitCode.FINE
    if len(plans) > 1:
        _say_all(env, plans)
    title, made = max(plans.items(), key=lambda item: item[1].scoops)
    _say(env, title, made)
    _say_how(env)
    return ExitCode.FINE


def _planned(
    limit: float, good: float | None, risks: tuple[float, float], pieces: int, correlation: float
) -> SamplingPlan:
    from traygauge.judge.sampling import plan_sample

    try:
        return plan_sample(
            limit,
            good_percent=good,
            producer_risk=risks[0],
            consumer_risk=risks[1],
            pieces_per_scoop=pieces,
            correlation=correlation,
        )
    except ValueError as fault:
        raise typer.BadParameter(str(fault)) from fault


def _share_limits(spec: Spec) -> Iterator[tuple[str, float]]:
    """Yield title and percent of each limit on a share that a spec sets."""
    from traygauge.judge.spec_tables import Limits, ShareLimit

    for name, field in Limits.model_fields.items():
        value = getattr(spec.limits, name)
        if isinstance(value, ShareLimit) and value.at_most_percent < 100:
            yield str(field.title), value.at_most_percent


def _say_all(env: Environment, plans: dict[str, SamplingPlan]) -> None:
    """Say in a line each what every limit needs; the one that needs most is told at length."""
    rows = [
        (
            title,
            f"{100 * p.limit:g} %",
            f"{100 * p.good:g} %",
            str(p.scoops),
            f"{100 * p.single.accept_up_to / p.single.n:.2g} %",
            "",
        )
        for title, p in plans.items()
    ]
    say_table(env, rows, ("share of", "at most", "good", "scoops", "accepted up to", ""))
    env.say()


def _say(env: Environment, title: str, made: SamplingPlan) -> None:
    env.say(f"PLAN  {title or 'a share'}: at most {100 * made.limit:g} %\n")
    say_list(env, [s for s in made.sentences() if s not in _taking()], mark="  - ")
    say_heading(env, "How likely a batch is accepted by its true share (operating characteristic)")
    shares = [made.limit * part for part in _CURVE if made.limit * part < 1]
    chances = made.curve(shares)
    rows = [
        (f"{100 * share:.3g} %", f"{100 * chance:.1f} %", "#" * round(40 * chance))
        for share, chance in zip(shares, chances.tolist(), strict=True)
    ]
    say_table(env, rows, ("true share", "accepted", ""))
    _say_sequence(env, made)


def _say_sequence(env: Environment, made: SamplingPlan) -> None:
    """Say what the verdict asks for after each scoop, and what Wald's plan does."""
    say_heading(env, "Looking after each scoop (what the verdict of inspect --look N follows)")
    good, limit = (f"{100 * share:g} %" for share in (made.good, made.limit))
    rows = [
        (
            number_of(look.number, "scoop"),
            str(look.pieces),
            _count(look.accept_up_to),
            _count(look.reject_from),
            f"{100 * accepted:.0f} %",
        )
        for look, (accepted, _) in zip(made.looks, made.looks_chances(made.good), strict=True)
    ]
    say_table(env, rows, ("after", "pieces", "accept up to", "reject from", f"{good} accepted by then"))
    risk = f"{100 * made.consumer_risk:g} of 100 batches on the limit"
    said = f"In between: one more scoop. All looks together answer wrongly in at most {risk}, either way; after the last one"
    say_list(env, [f"{said} only a fresh sample can decide."], mark="  ")
    say_heading(env, f"Sequential plan after Wald: tells {good} from {limit}, refuses in between")
    after = [(number_of(k, "scoop"), str(n), *map(_count, counts)) for k, n, counts in _wald(made)]
    say_table(env, after, ("after", "pieces", "accept up to", "reject from"))


def _count(count: int | None) -> str:
    return "-" if count is None else str(count)


def _wald(made: SamplingPlan) -> Iterator[tuple[int, int, tuple[int | None, int | None]]]:
    """Yield scoops and pieces seen, and how many beyond the limit accept and reject after Wald, as counted."""
    for k in range(1, min(_MOST_SCOOPS, max(3, 2 * made.scoops)) + 1):
        n = k * made.pieces_per_scoop
        yield k, n, made.wald_counts(n)


def _taking() -> tuple[str, ...]:
    from traygauge.judge.sampling import TAKING_SCOOPS

    return TAKING_SCOOPS


def _say_how(env: Environment) -> None:
    say_heading(env, "How to take the scoops (common practice)")
    say_list(env, _taking(), mark="  - ")
    env.say("\nNext: traygauge inspect SCOOP1 SCOOP2 ... --spec FILE")
    env.say("      with --look 2, 3 ... once scoops are added to a batch already judged")


def _facts(made: SamplingPlan) -> dict[str, object]:
    good, at_limit = made.sequential_scoops
    return {
        "limit_percent": 100 * made.limit,
        "good_percent": 100 * made.good,
        "producer_risk_percent": 100 * made.producer_risk,
        "consumer_risk_percent": 100 * made.consumer_risk,
        "scoops": made.scoops,
        "pieces": made.pieces,
        "independent_pieces": made.single.n,
        "accept_up_to_of_independent": made.single.accept_up_to,
        "sequential_scoops_good": good,
        "sequential_scoops_at_limit": at_limit,
        "looks": [asdict(look) for look in made.looks],
        "wald": [{"pieces": n, **_counts(counts)} for _, n, counts in _wald(made)],
    }


def _counts(counts: tuple[int | None, int | None]) -> dict[str, int | None]:
    return dict(zip(("accept_up_to", "reject_from"), counts, strict=True))


def _standing(env: Environment, plans: dict[str, SamplingPlan], seen: int, bad: int, json: bool) -> int:
    """Say where the sequence stands after so many pieces of which so many were bad, as the verdict would."""
    from traygauge.judge.looks import MOST_LOOKS
    from traygauge.judge.verdict import Answer

    if len(plans) > 1:
        raise typer.BadParameter("--seen and --bad speak of one limit: say --limit PERCENT")
    if bad > seen:
        raise typer.BadParameter(f"{bad} bad pieces of {seen} cannot be")
    (made,) = plans.values()
    look = made.look_after(seen)
    answer = look.answer(bad)
    if json:
        wald = _counts(made.wald_counts(seen))
        say_json(env, {"answer": answer, "seen": seen, "bad": bad, **asdict(look), "wald": wald})
    else:
        bounds = [
            f"at most {look.accept_up_to} accept" if look.accept_up_to is not None else "no number accepts"
        ]
        bounds += [
            f"{look.reject_from} or more reject" if look.reject_from is not None else "no number rejects"
        ]
        said = f"{bad} of {seen} pieces at look {look.number} of at most {MOST_LOOKS}: {', '.join(bounds)}."
        say_list(env, [said], mark=f"{str(answer).upper()}  ")
        if answer is Answer.UNDECIDED:
            more = "take one more scoop" if look.number < MOST_LOOKS else "only a fresh sample can decide"
            say_list(env, [f"Next: {more}."], mark=" " * 11)
    codes = {Answer.ACCEPT: ExitCode.FINE, Answer.REJECT: ExitCode.REJECT}
    return codes.get(answer, ExitCode.UNDECIDED)


def _standard(env: Environment, lot: int | None, aql: float | None, level: str, json: bool) -> int:
    """Say the single plan of ISO 2859-1 for a lot."""
    from traygauge.judge.plans import code_letter, standard_plan

    if lot is None or aql is None:
        raise typer.BadParameter("--lot and --aql belong together")
    try:
        letter = code_letter(lot, level)
        made = standard_plan(letter, aql)
    except ValueError as fault:
        raise typer.BadParameter(f"expected {fault}") from fault
    if json:
        say_json(env, {"code_letter": letter, "pieces": made.n, "accept_up_to": made.accept_up_to})
        return ExitCode.FINE
    env.say(f"PLAN  ISO 2859-1, normal inspection, level {level}, lot of {lot}: code letter {letter}\n")
    most = f"at most {made.accept_up_to}" if made.accept_up_to else "none"
    are = "is" if made.accept_up_to == 1 else "are"
    shares = [s for s in (aql / 200, aql / 100, aql / 50, aql / 25, aql / 10) if s < 1]
    said = [
        f"Look at {made.n} pieces taken one by one at random; accept when {most} of them {are} beyond the limit."
    ]
    said.append(f"The pieces of one photo resemble each other: count {made.n} pieces over several scoops.")
    say_list(env, said, mark="  - ")
    say_heading(env, "How likely a lot is accepted by its true share")
    rows = [
        (f"{100 * s:.3g} %", f"{100 * c:.1f} %", "")
        for s, c in zip(shares, made.chance(shares).tolist(), strict=True)
    ]
    say_table(env, rows, ("true share", "accepted", ""))
    return ExitCode.FINE
