"""What can happen in a run: the kinds of events, as a record holds them."""

from __future__ import annotations

from enum import StrEnum


class EventKind(StrEnum):
    """The kind of an event; what its detail holds stands beside it."""

    # The load.
    LOAD = "load"  # it was commanded a new share: `share`; at its end `gone_s`, `checks_done`, `seen`
    CLIMB = "climb"  # a look of a load that climbs: `act`, `share`, `channel`, `full_c`, `full_u95_k`, `risk`, why
    LOAD_REFUSED = "load-refused"  # `stage`, and why
    LOAD_LEFT_OUT = "load-left-out"  # of choice: `stage`
    LOAD_NOTE = "load-note"  # what could not be done as asked: `stage`, `note`, `reason`
    BRING_UP_ENDED = "bring-up-ended"  # `gone_s`
    HOLD_LIMITED = "hold-limited"  # why a target cannot be held
    COMPUTE_ERROR = "compute-error"  # `work`, `core`, `at_s`, `detail`
    DIP = "dip"  # the load was taken away for a moment: see `rig.dip`
    DIP_NOT_POSSIBLE = "dip-not-possible"  # `channel`
    # What ends it.
    GATE_CLOSED = "gate-closed"  # `stage`, `channel`, values and limits, and why
    TRIP = "trip"  # `rule`, `channel`, `value`, `limit`, `stage`, `load_off_s`, and why
    STOPPED = "stopped"  # why
    OPERATOR = "operator"  # why
    SUSPEND = "suspend"  # `slept_s`
    DANGER = "danger"  # `code`, `noted`
    READ_HANGS = "read-hangs"  # `channels`
    # The second computer: `act` is linked, lost, back, refused or clock (`wall_offset_s`, `steady_offset_s`, `u95_s`).
    BENCH_COMPUTER = "bench-computer"
    PROBE_TIMES = "probe-times"  # when readings over the link were taken: `channel`, `at_s` of samples, `read_s`
    # What a person hears or says.
    SWITCH_OFF_ORDERED = "switch-off-ordered"  # of a load that a person runs: `share`
    SWITCH_OFF_ADVISED = "switch-off-advised"  # of a machine that stays hot: why
    LOAD_NOT_SEEN_OFF = "load-not-seen-off"
    TOUCH = "touch"  # when a part may be touched
    FINDING = "finding"  # `text`
    IDLE_DISTURBED = "rest-disturbed"  # `stage`, `busy_share`
