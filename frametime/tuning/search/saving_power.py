"""The states of a search for less power at nearly the same speed: one knob at a time, towards safety at the end.

Power limit first, then the core voltage, each in steps of common practice (no source). With a lower voltage the card
is faster at the same power, so the power limit is looked at again, at the voltage for every day: the loss of speed that
counts is the one that is lived with.
"""

from __future__ import annotations

from frametime.tuning.record import STOCK, Setting
from frametime.tuning.search.knob_steps import between, climb
from frametime.tuning.search.proposal import Finished, Phase, Proposal, propose, stock_fails
from frametime.tuning.search.trial_view import TrialView


def measured_stock(view: TrialView, setting: Setting) -> Proposal | Setting:
    """A loss of speed is told from that at stock, so stock needs a measured speed."""
    if view.score(STOCK, view.record.heaviest.name) is not None:
        return setting
    reason = "What is lost of stock speed has to be measured: note stock with its frame logs and sensor logs."
    n_runs = view.record.steps.repeats
    return propose(view, Phase.STOCK, STOCK, view.record.heaviest, n_runs=n_runs, reason=reason)


def power_steps(view: TrialView, setting: Setting) -> Proposal | Setting:
    """Power limit down in coarse steps, until too much speed is lost or nothing is saved."""
    record = view.record
    return climb(view, Phase.POWER, setting, "power", workload=record.heaviest)


def voltage_steps(view: TrialView, setting: Setting) -> Proposal | Setting:
    """Core voltage down in coarse steps to the last that holds, then in a fine one."""
    record = view.record
    answer = climb(view, Phase.VOLTAGE, setting, "voltage", workload=record.heaviest)
    if isinstance(answer, Proposal):
        return answer
    return between(view, Phase.VOLTAGE, answer, "voltage", workload=record.heaviest)


def power_again(view: TrialView, setting: Setting) -> Proposal | Setting:
    """Power limit down once more at the voltage for every day, with repeats at the end, for a small loss decides."""
    record = view.record
    everyday = setting.lowered("voltage", record.steps.everyday_voltage_back_mv)
    answer = climb(view, Phase.POWER_AGAIN, everyday, "power", workload=record.heaviest)
    if isinstance(answer, Setting):
        answer = between(
            view, Phase.POWER_AGAIN, answer, "power", workload=record.heaviest, n_runs=record.steps.repeats
        )
    return answer if isinstance(answer, Proposal) else answer.turned_to("voltage", setting.turned("voltage"))


def other_workloads(view: TrialView, setting: Setting) -> Proposal | Finished | Setting:
    """A card clocks higher under a lighter load: a low voltage has to hold under each of them."""
    record = view.record
    for workload in record.workloads:
        status = view.status(setting, record.weight_of(workload.name))
        while status == "failed" and setting.turned("voltage") > 0:
            setting = setting.lowered("voltage", record.steps.voltage_fine_mv)
            status = view.status(setting, record.weight_of(workload.name))
        if status == "failed":
            return stock_fails(view, f"'{workload.name}'")
        if status == "unknown":
            reason = f"Does the voltage hold under '{workload.name}' too? A card clocks higher under a lighter load."
            return propose(view, Phase.OTHERS, setting, workload, start=setting, reason=reason)
    return setting


def everyday_for(view: TrialView, everyday: Setting) -> Setting:
    """The setting for every day with as much of the power limit given back as keeps its speed within the goal."""
    while view.is_too_slow(everyday) and everyday.turned("power") > 0:
        everyday = everyday.lowered("power", view.record.steps.power_fine_pct)
    return everyday
