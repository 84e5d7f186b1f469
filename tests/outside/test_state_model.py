"""The transition table against the state model of ANSI/ISA-TR88.00.02.

Written down here from memory of the standard's state diagram (*memory*; the text itself was not
retrieved), without its suspended branch, and independently of the register map.
"""

from plylane.head.registers import TRANSITIONS, WHEN_DONE, Command, State

S, C = State, Command

MODEL = {
    C.RESET: {S.STOPPED: S.RESETTING, S.COMPLETE: S.RESETTING},
    C.START: {S.IDLE: S.STARTING},
    C.HOLD: {S.EXECUTE: S.HOLDING, S.UNHOLDING: S.HOLDING},
    C.UNHOLD: {S.HELD: S.UNHOLDING},
    C.COMPLETE: {S.EXECUTE: S.COMPLETING},
    C.CLEAR: {S.ABORTED: S.CLEARING},
}
# Stop is taken everywhere but in the stop and abort branches, abort everywhere but in its own
STOP_BRANCH = {S.STOPPING, S.STOPPED}
ABORT_BRANCH = {S.ABORTING, S.ABORTED}


def test_commands_lead_where_the_standard_says() -> None:
    expected = {(start, c): end for c, moves in MODEL.items() for start, end in moves.items()}
    for state in State:
        if state not in STOP_BRANCH | ABORT_BRANCH | {S.CLEARING}:
            expected[state, C.STOP] = S.STOPPING
        if state not in ABORT_BRANCH:
            expected[state, C.ABORT] = S.ABORTING
    assert expected == TRANSITIONS


def test_acting_states_end_where_the_standard_says() -> None:
    assert {
        S.RESETTING: S.IDLE,
        S.STARTING: S.EXECUTE,
        S.EXECUTE: S.COMPLETING,
        S.HOLDING: S.HELD,
        S.UNHOLDING: S.EXECUTE,
        S.COMPLETING: S.COMPLETE,
        S.STOPPING: S.STOPPED,
        S.ABORTING: S.ABORTED,
        S.CLEARING: S.STOPPED,
    } == WHEN_DONE


def test_numbers_of_the_standard() -> None:
    # PackTags state and command numbers, memory
    assert [s.value for s in (S.CLEARING, S.STOPPED, S.STARTING, S.IDLE, S.EXECUTE)] == [
        1,
        2,
        3,
        4,
        6,
    ]
    assert [s.value for s in (S.STOPPING, S.ABORTING, S.ABORTED, S.HOLDING, S.HELD)] == [
        7,
        8,
        9,
        10,
        11,
    ]
    assert [s.value for s in (S.UNHOLDING, S.RESETTING, S.COMPLETING, S.COMPLETE)] == [
        12,
        15,
        16,
        17,
    ]
    assert [c.value for c in (C.RESET, C.START, C.STOP, C.HOLD, C.UNHOLD, C.ABORT, C.CLEAR)] == [
        1,
        2,
        3,
        4,
        5,
        8,
        9,
    ]
