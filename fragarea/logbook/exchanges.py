"""Fragments that changed places: the doubts about it, and what people decided."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from enum import StrEnum
from typing import Any

import sqlalchemy as sa

from fragarea import __version__
from fragarea.doubts import Doubt
from fragarea.logbook.attribution import Attribution, attribute
from fragarea.logbook.convert import utc_text
from fragarea.logbook.opening import Logbook
from fragarea.logbook.reading import readable
from fragarea.logbook.tables import doubts, exchange_decisions, fragment_measurements, measurements

FROM_EXCHANGE = "exchange"

_AFTER_HISTORY_DOUBTS = 2000
_IDS_AT_ONCE = 500  # databases bound the number of values in a query


class Verdict(StrEnum):
    """What a person decided; the word stands in lists."""

    ACCEPTED = "accepted"
    AS_RECORDED = "right as recorded"
    TAKEN_BACK = "taken back"


@dataclass(frozen=True)
class ExchangeDecision:
    """A person's word on whether fragments changed places.

    Attributes
    ----------
    site : str
    on : date
        Visit from which on it holds.
    fragments : tuple of str
        Each stands where the record had the next one, and the last where it had the first.
    verdict : Verdict
    decided_by, reason : str
    odds : float or None
        What spoke for an exchange when it was decided; None where nothing was doubted.
    table_change : mapping
        What was done to the placements table, as plain JSON values; empty where nothing was.
    decided_at : datetime or None
        UTC; set by the logbook.
    number : int
        Its row in the logbook; 0 before it is kept.
    """

    site: str
    on: date
    fragments: tuple[str, ...]
    verdict: Verdict
    decided_by: str
    reason: str
    odds: float | None = None
    table_change: Mapping[str, Any] = field(default_factory=dict)
    decided_at: datetime | None = None
    number: int = 0


def exchange_decisions_of(logbook: Logbook) -> list[ExchangeDecision]:
    """Decisions that hold, oldest first; those taken back are left out, with what took them back."""
    table = exchange_decisions
    undone = sa.select(table.c.takes_back).where(table.c.takes_back.is_not(None))
    query = sa.select(table).where(table.c.takes_back.is_(None), table.c.id.not_in(undone)).order_by(table.c.id)
    with logbook.reading() as connection, readable(logbook):
        return [
            ExchangeDecision(
                site=row["site"],
                on=date.fromisoformat(row["day"]),
                fragments=tuple(row["fragments"]),
                verdict=Verdict(row["verdict"]),
                decided_by=row["decided_by"],
                reason=row["reason"],
                odds=row["odds"],
                table_change=row["table_change"] or {},
                decided_at=datetime.fromisoformat(row["decided_at_utc"]),
                number=row["id"],
            )
            for row in connection.execute(query).mappings()
        ]


def keep_exchange_decision(
    logbook: Logbook,
    decision: ExchangeDecision,
    *,
    takes_back: int | None = None,
    attributions: Sequence[Attribution] = (),
    before_commit: Callable[[], None] = lambda: None,
) -> int:
    """Keep a decision with the measurements that it gives other names, all of it or nothing.

    Parameters
    ----------
    logbook : Logbook
    decision : ExchangeDecision
    takes_back : int, optional
        Number of the decision that no longer holds by this one.
    attributions : sequence of Attribution
    before_commit : callable
        Called last; where it raises, nothing is kept.

    Returns
    -------
    int
        Its number.

    Raises
    ------
    LogbookProblem
    """
    row = {
        "site": decision.site,
        "day": decision.on.isoformat(),
        "fragments": list(decision.fragments),
        "verdict": decision.verdict.value,
        "odds": decision.odds,
        "decided_by": decision.decided_by,
        "reason": decision.reason,
        "table_change": dict(decision.table_change) or None,
        "takes_back": takes_back,
        "software_version": __version__,
        "decided_at_utc": utc_text(datetime.now(UTC)),
    }
    with logbook.writing() as connection:
        made = connection.execute(sa.insert(exchange_decisions).values(row).returning(exchange_decisions.c.id))
        number = int(made.scalar_one())
        attribute(connection, attributions, edited_by=decision.decided_by, reason=decision.reason, name=logbook.name)
        before_commit()
    return number


def keep_exchange_doubts(logbook: Logbook, found: Mapping[int, Doubt]) -> None:
    """Let the doubts about exchanges be these: new ones are added, those that no longer hold are taken out.

    Parameters
    ----------
    logbook : Logbook
    found : mapping of fragment_id to Doubt
        Of current measurements.
    """
    current = (
        sa.select(doubts.c.id, doubts.c.fragment_measurement_id, doubts.c.key, doubts.c.detail)
        .select_from(doubts.join(measurements, doubts.c.measurement_id == measurements.c.id))
        .where(doubts.c.source == FROM_EXCHANGE, measurements.c.is_current)
    )
    wanted = {(fragment_id, doubt.key, doubt.detail) for fragment_id, doubt in found.items()}
    with logbook.reading() as connection:
        if {tuple(row[1:]) for row in connection.execute(current)} == wanted:
            return
    with logbook.writing() as connection:
        there = {tuple(row[1:]): row.id for row in connection.execute(current)}
        gone = [number for one, number in there.items() if one not in wanted]
        if gone:
            connection.execute(
                sa.delete(doubts).where(doubts.c.id == sa.bindparam("this")), [{"this": n} for n in gone]
            )
        new = sorted(wanted - there.keys())
        owners = _owners(connection, [fragment_id for fragment_id, _, _ in new])
        rows = [
            {
                "measurement_id": owners[fragment_id],
                "fragment_measurement_id": fragment_id,
                "number": _AFTER_HISTORY_DOUBTS,
                "key": key,
                "detail": detail,
                "source": FROM_EXCHANGE,
            }
            for fragment_id, key, detail in new
        ]
        if rows:
            connection.execute(sa.insert(doubts), rows)


def _owners(connection: sa.Connection, fragment_ids: Sequence[int]) -> dict[int, int]:
    """Measurement that each fragment belongs to."""
    fragment = fragment_measurements.c
    owners: dict[int, int] = {}
    for start in range(0, len(fragment_ids), _IDS_AT_ONCE):
        some = fragment.id.in_(fragment_ids[start : start + _IDS_AT_ONCE])
        owners.update(connection.execute(sa.select(fragment.id, fragment.measurement_id).where(some)).all())
    return owners
