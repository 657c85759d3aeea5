"""Every measurement ever made, in SQL; the only package that knows SQL.

A logbook is one SQLite file, or a PostgreSQL database that several sites share. Rows are added and superseded, never
overwritten: ``current_measurements`` gives those that count, ``measurements_of`` all of one photo.

``tables``, ``migrations``, ``upgrading``   the schema and its versions
``opening``                                 engine, transactions, backup, soundness
``records``, ``convert``                    what is handed out, and how it becomes rows
``writing``, ``reading``                    photos and their measurements
``files``                                   hashes of files seen before
``areas``                                   the numbers of every fragment as columns, for growth
``histories``                               which fragments are to be compared with their earlier visits
``checks``, ``edits``                       known-area checks, print checks, people's corrections and marks
``exchanges``, ``attribution``              fragments that changed places, and measurements under other names
``weekly_reports``                          what weekly reports said
"""

from __future__ import annotations

from fragarea.logbook.areas import (
    AreaPhoto,
    AreaRows,
    ComparedVisit,
    OutlineRow,
    PhotoAreas,
    area_rows,
    compared_visits_of,
    keep_areas,
    keep_compared_visits,
    live_outlines,
    new_areas,
)
from fragarea.logbook.attribution import Attribution
from fragarea.logbook.checks import (
    add_check,
    add_print_check,
    last_check,
    print_checks_of,
    print_correction,
    withdraw_check,
    withdraw_print_check,
)
from fragarea.logbook.edits import MARKED_WRONG, Mark, add_edit, edits_of, mark_wrong, marks_of
from fragarea.logbook.exchanges import (
    ExchangeDecision,
    Verdict,
    exchange_decisions_of,
    keep_exchange_decision,
    keep_exchange_doubts,
)
from fragarea.logbook.files import FileHash, known_hashes, remember_hashes
from fragarea.logbook.histories import HistoryKey, Uncompared, histories_of, keep_comparison, uncompared
from fragarea.logbook.opening import Logbook, backup, open_logbook, unsound
from fragarea.logbook.reading import (
    current_measurements,
    current_refusals,
    history_of,
    known_photos,
    measurements_of,
)
from fragarea.logbook.records import (
    CheckRecord,
    Edit,
    FragmentVisit,
    KnownPhoto,
    Place,
    PrintCheck,
    PrintCorrection,
    Refusal,
    StoredMeasurement,
    StoredRefusal,
    place_of,
)
from fragarea.logbook.weekly_reports import KeptReport, count_late, keep_report, last_report
from fragarea.logbook.writing import record, record_names, record_refusal

__all__ = [
    "MARKED_WRONG",
    "AreaPhoto",
    "AreaRows",
    "Attribution",
    "CheckRecord",
    "ComparedVisit",
    "Edit",
    "ExchangeDecision",
    "FileHash",
    "FragmentVisit",
    "HistoryKey",
    "KeptReport",
    "KnownPhoto",
    "Logbook",
    "Mark",
    "OutlineRow",
    "PhotoAreas",
    "Place",
    "PrintCheck",
    "PrintCorrection",
    "Refusal",
    "StoredMeasurement",
    "StoredRefusal",
    "Uncompared",
    "Verdict",
    "add_check",
    "add_edit",
    "add_print_check",
    "area_rows",
    "backup",
    "compared_visits_of",
    "count_late",
    "current_measurements",
    "current_refusals",
    "edits_of",
    "exchange_decisions_of",
    "histories_of",
    "history_of",
    "keep_areas",
    "keep_compared_visits",
    "keep_comparison",
    "keep_exchange_decision",
    "keep_exchange_doubts",
    "keep_report",
    "known_hashes",
    "known_photos",
    "last_check",
    "last_report",
    "live_outlines",
    "mark_wrong",
    "marks_of",
    "measurements_of",
    "new_areas",
    "open_logbook",
    "place_of",
    "print_checks_of",
    "print_correction",
    "record",
    "record_names",
    "record_refusal",
    "remember_hashes",
    "uncompared",
    "unsound",
    "withdraw_check",
    "withdraw_print_check",
]
