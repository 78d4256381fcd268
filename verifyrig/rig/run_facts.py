"""What a record holds of a run before its first sample, and what is said of it on the screen."""

from __future__ import annotations

from verifyrig import __version__
from verifyrig.analysis.regulator_probe import before_load
from verifyrig.core.ambient import TYPED, AmbientFact, ambient_channel
from verifyrig.core.interfaces import ChannelInfo, SensorBank
from verifyrig.core.kept_facts import ChannelFact, MachineFact, StartFacts
from verifyrig.core.pattern import is_gentle
from verifyrig.rig.request import RunRequest
from verifyrig.rig.requirements import Watch
from verifyrig.rig.stand import Stand
from verifyrig.system.stick import this_stick


def facts_of(
    request: RunRequest,
    stand: Stand,
    bank: SensorBank,
    watch: Watch,
    run_id: str,
    machine: MachineFact,
) -> StartFacts:
    """Return the facts of the record, by name; what the request adds of its own comes beside them."""
    profile = request.profile
    facts: StartFacts = {
        "run": run_id,
        "tool_version": __version__,
        "profile_name": profile.name,
        "recipe": profile.recipe,
        "purpose": request.purpose,
        "job": request.job,
        "unit": request.unit,
        "simulated": stand.simulated,
        "simulated_case": stand.case,
        "started_utc_s": stand.clock.utc_s(),
        "period_s": profile.period_s,
        "ambient": _ambient_fact(request, bank),
        "states": dict(request.states),
        "machine": machine,
        "channels": {name: _channel_fact(info) for name, info in bank.infos.items()},
        "not_armed": watch.absent,
        "not_watched": list(watch.not_watched),
        "blind": watch.blind,
        "refusals": list(map(str, request.refusals)),
        "refusal_reasons": [why.as_json() for why in request.refusals],
        "no_load": request.no_load,
        "bench_computer": request.second.facts() if request.second is not None else None,
    }
    stick = this_stick()
    return facts if stick is None else {**facts, "stick": stick.as_fact()}


def _ambient_fact(request: RunRequest, bank: SensorBank) -> AmbientFact | None:
    if request.ambient is not None:
        return {"value_c": request.ambient.value_c, "u95_k": request.ambient.u95_k, "source": TYPED}
    channel = ambient_channel(lambda name: name in bank.infos and not bank.infos[name].unreadable)
    if channel is None:
        return None
    return {"value_c": None, "u95_k": bank.infos[channel].expanded_uncertainty, "source": channel}


def _channel_fact(info: ChannelInfo) -> ChannelFact:
    return {
        "label": info.label,
        "device": info.device,
        "source": info.source,
        "quantity": info.quantity,
        "unit": info.unit,
        "driver": info.driver,
        "limit": info.limit,
        "resolution": info.resolution,
        "refresh_s": info.refresh_s,
        "expanded_uncertainty": info.expanded_uncertainty,
        "correction": info.correction,
        "correction_slope": info.correction_slope,
        "correction_at": info.correction_at,
        "unreadable": info.unreadable,
        "note": info.note,
    }


def notes_of(request: RunRequest, stand: Stand, watch: Watch, machine: MachineFact, blind: bool) -> list[str]:
    """Return what everybody must know of the run before it begins."""
    notes = []
    if stand.simulated:
        notes.append("Simulated hardware: no real load is started.")
    if watch.absent:
        notes.append("Not guarded, since this machine does not show it: " + ", ".join(watch.absent) + ".")
    if blind:
        seconds = request.profile.blind_load_s
        notes.append(f"No temperature guards the load: it is run blind, and for no more than {seconds:g} s.")
    danger = request.danger() if request.danger is not None else None
    if danger is not None:
        notes.append(f"NOT SAFE TO USE: {danger.what} ({danger.noted}). {danger.do}")
    full_w = machine["power_limits_w"].get("long_term")
    advice = None if request.no_load else before_load(request.profile, watch.not_watched, full_w)
    if advice is not None:
        notes.append(f"{str(advice)[0].upper()}{str(advice)[1:]}.")
    if request.no_load:
        notes.append("Idle and quarter-share pulses only, as asked: every load above them is left out.")
    if any(stage.load is not None and not is_gentle(stage.load) for stage in request.profile.stages):
        notes.extend(f"No load above quarter-share pulses: {why}." for why in request.refusals)
    return notes
