"""What people decide: whether fragments changed places, and which measurements are wrong.

``table``      the placements file replaced in one step, the former one kept
``names``      what other placements mean for photos measured before
``exchanges``  an exchange accepted, set aside, or taken back
``marks``      measurements marked wrong
``words``      both in sentences
"""

from fragarea.decisions.exchanges import (
    ExchangePlan,
    Exchanges,
    accept_exchange,
    list_exchanges,
    plan_exchange,
    plan_undo,
    set_aside,
    take_back,
)
from fragarea.decisions.marks import mark_visits
from fragarea.decisions.words import exchange_lines, mark_lines, plan_lines

__all__ = [
    "ExchangePlan",
    "Exchanges",
    "accept_exchange",
    "exchange_lines",
    "list_exchanges",
    "mark_lines",
    "mark_visits",
    "plan_exchange",
    "plan_lines",
    "plan_undo",
    "set_aside",
    "take_back",
]
