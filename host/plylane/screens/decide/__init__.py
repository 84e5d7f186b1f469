"""What a value says on a screen: its words and how they are set off.

Plain functions; none needs a screen. Colour follows `Kind`, and whatever has a colour has a
word or a symbol of its own too (ISA-101 practice: grey unless abnormal, never colour alone).
"""

from __future__ import annotations

from plylane.screens.decide.alarms import (
    AlarmRow,
    alarm_rows,
    alarm_state,
    alarm_text,
    alarms_head,
    drive_name,
)
from plylane.screens.decide.commands import (
    CAUTION,
    COMMAND_KEYS,
    CommandKey,
    cautions,
    needs_confirmation,
    shown_commands,
)
from plylane.screens.decide.feed import (
    FeedView,
    feed_view,
    gauge,
    mismatch_word,
)
from plylane.screens.decide.figures import (
    number_problem,
)
from plylane.screens.decide.kinds import (
    Kind,
    Said,
)
from plylane.screens.decide.lanes import (
    LANE_STOPPED,
    LaneRow,
    LaneWatch,
    Strips,
    lane_word,
)
from plylane.screens.decide.link import (
    link_says,
)
from plylane.screens.decide.state import (
    AT_REST,
    Progress,
    bar,
    progress,
    progress_line,
    run_is_active,
    spaced,
    state_kind,
    state_sentence,
    state_way,
    state_word,
)
from plylane.screens.decide.zones import (
    ZoneRow,
    of_zone,
    zone_row,
    zone_word,
)
from plylane.trends import NO_READING_DEGC
from plylane.words import duration

__all__ = [
    "AT_REST",
    "CAUTION",
    "COMMAND_KEYS",
    "LANE_STOPPED",
    "NO_READING_DEGC",
    "AlarmRow",
    "CommandKey",
    "FeedView",
    "Kind",
    "LaneRow",
    "LaneWatch",
    "Progress",
    "Said",
    "Strips",
    "ZoneRow",
    "alarm_rows",
    "alarm_state",
    "alarm_text",
    "alarms_head",
    "bar",
    "cautions",
    "drive_name",
    "duration",
    "feed_view",
    "gauge",
    "lane_word",
    "link_says",
    "mismatch_word",
    "needs_confirmation",
    "number_problem",
    "of_zone",
    "progress",
    "progress_line",
    "run_is_active",
    "shown_commands",
    "spaced",
    "state_kind",
    "state_sentence",
    "state_way",
    "state_word",
    "zone_row",
    "zone_word",
]
