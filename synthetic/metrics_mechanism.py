"""Truth of the mechanism table: what its columns should hold, by mechanism and operation."""

from __future__ import annotations

from drm.synthetic.truth import Simulation

__all__ = ["mechanism_truth"]


def mechanism_truth(simulation: Simulation) -> dict[tuple[str, int], dict[str, float]]:
    """Mechanism and operation -> column -> truth, for what the simulation knows of it.

    A motor's charging belongs to the last operation that was commanded before it began, else to the first.
    """
    out: dict[tuple[str, int], dict[str, float]] = {}
    commands: dict[tuple[str, int], float] = {}
    for m in simulation.motions:
        key = (m.mechanism, m.operation)
        commands[key] = m.command_s
        out[key] = {"motion_start_ms": 1e3 * (m.start_s - m.command_s), "stroke_mm": m.stroke_mm}
    for c in simulation.coils:
        out[c.mechanism, c.operation] |= {
            "coil_onset_s": c.onset_s,
            "armature_start_ms": 1e3 * (c.armature_start_s - c.onset_s),
            "armature_stop_ms": 1e3 * (c.armature_stop_s - c.onset_s),
            "coil_plateau_a": c.cut_a,
            "coil_resistance_ohm": c.resistance_ohm,
            "coil_cut_ms": 1e3 * (c.cut_s - c.onset_s),
        }
    for a in simulation.auxiliaries:
        key = (a.mechanism, a.operation)
        # Overtravel and rebound may move a contact again: the first change is the operation's.
        out[key].setdefault(f"auxiliary_{a.contact}_ms", 1e3 * (a.first_s - commands[key]))
        out[key].setdefault(f"auxiliary_{a.contact}_settled_ms", 1e3 * (a.settled_s - commands[key]))
    for motor in simulation.motors:
        before = [k for k, at in commands.items() if k[0] == motor.mechanism and at <= motor.start_s]
        first = [k for k in commands if k[0] == motor.mechanism][:1]
        for key in before[-1:] or first:
            out[key]["motor_peak_a"] = motor.inrush_a
            if motor.stop_s > float(simulation.record.time_s[-1]):
                continue  # the record ends first
            out[key] |= {
                "motor_running_a": motor.running_mean_a,
                "motor_duration_s": motor.charging_s,
                "motor_energy_j": motor.energy_j,
            }
    return out
