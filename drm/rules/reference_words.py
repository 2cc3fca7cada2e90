"""Words of the comparison with an earlier test."""

from __future__ import annotations

from drm.rules.cautions import inspect_inside, look_at_mechanism, measure_again

__all__ = ["ADVICE", "SAY", "WORDS"]

WORDS = {
    "main_resistance_uohm": ("main contact's resistance", "µΩ"),
    "arcing_resistance_uohm": ("arcing contact's resistance", "µΩ"),
    "arcing_roughness_uohm": ("roughness of the arcing contact's resistance", "µΩ"),
    "arcing_wipe_mm": ("arcing wipe", "mm"),
    "arcing_wipe_ms": ("arcing wipe in time", "ms"),
    "main_contact_mm": ("position of the main contact's instant", "mm"),
    "arcing_contact_mm": ("position of the arcing contact's instant", "mm"),
    "main_contact_ms": ("main contact's instant", "ms"),
    "arcing_contact_ms": ("arcing contact's instant", "ms"),
    "parting_speed_m_s": ("speed at the arcing contact's instant", "m/s"),
}
SAY = {
    "wipe-shorter": "the arcing wipe is shorter than in the earlier test",
    "arcing-resistance-higher": "the arcing contact is higher or rougher in resistance than in the earlier test",
    "main-resistance-higher": "the main contact is higher in resistance than in the earlier test",
    "timing": "instants or speed are not those of the earlier test",
    "changed": "readings are not those of the earlier test",
    "times": "times are not those of the earlier test",
    "mechanism": "times, travel or speeds are not those of the earlier test",
    "coil": "the release's coil is not as in the earlier test",
    "auxiliary": "auxiliary contacts change at other instants than in the earlier test",
    "motor": "the charging motor is not as in the earlier test",
    "static-resistance-higher": "the static resistance is higher than in the earlier test",
    "resistor": "the pre-insertion resistor is not as in the earlier test",
    "pick-up": "the release's pick-up voltage is not that of the earlier test",
}
ADVICE = {
    "wipe-shorter": inspect_inside(
        "What else could explain it: another travel sensor, scale or linkage than then, a main contact that now parts "
        "later. Check next: repeat the test at the same current and see the sensor's scale; then look at the arcing "
        "contact."
    ),
    "arcing-resistance-higher": inspect_inside(
        "What else could explain it: film or fluoride powder that some operations wear off, higher speed, another "
        "current. Check next: repeat the test after a few operations at the same current, slowly if the mechanism "
        "allows it."
    ),
    "main-resistance-higher": measure_again(
        "What else could explain it: clamps placed elsewhere so that a joint lies between them, temperature, film on "
        "silver after long rest, an earth at one end only then and at both now. Check next: the static resistance at "
        "100 A or more with the clamps where they were then."
    ),
    "timing": look_at_mechanism(
        "What else could explain it: another control voltage, stored energy, gas density or temperature than then, a "
        "recorder with another reference. Check next: repeat the test at the same control voltage and energy, and "
        "compare the mechanism's own figures."
    ),
    "changed": measure_again(
        "What else could explain it: leads, scales or channels connected otherwise than then. Check next: compare both "
        "tests' set-up and repeat the test."
    ),
    "times": look_at_mechanism(
        "What else could explain it: another control voltage, stored energy, gas density or temperature than then; for "
        "the spread, one pole alone. Check next: which mechanism or interrupter moved, and repeat the test at the same "
        "control voltage and energy."
    ),
    "mechanism": look_at_mechanism(
        "What else could explain it: stored energy, pressure, gas density or temperature other than then, the first "
        "operation after a long rest, a travel sensor coupled or scaled otherwise. Check next: repeat the test; see "
        "whether the start of motion moved (coil, latch) or only what follows it (energy, friction, damper, linkage)."
    ),
    "coil": look_at_mechanism(
        "What else could explain it: another voltage at the coil or a warmer winding than then (copper, 0.4 % for each "
        "kelvin), a current clamp with another gain or zero. Check next: voltage at the coil's terminals during the "
        "pulse, the winding's resistance by itself, its connections and the free way of the armature."
    ),
    "auxiliary": look_at_mechanism(
        "What else could explain it: a mechanism that moves otherwise as a whole. Check next: whether the instant "
        "after the main contacts moved too; if so the auxiliary switch or its linkage, else the mechanism."
    ),
    "motor": look_at_mechanism(
        "What else could explain it: another supply voltage than then, cold grease, a current clamp with another gain, "
        "a spring that was not fully discharged. Check next: supply voltage at the motor while it runs, charging time "
        "and current of a second charge; then brushes, gear and lubrication."
    ),
    "static-resistance-higher": measure_again(
        "What else could explain it: clamps placed elsewhere so that a joint lies between them, temperature, film on "
        "silver after long rest, thermal voltage, an earth at one end only then and at both now. Check next: repeat it "
        "at the same current, with the clamps where they were then, after a few operations."
    ),
    "resistor": measure_again(
        "What else could explain it: a source whose voltage limit or leads are others than then, temperature of the "
        "resistor. Check next: the resistor by itself, and the travel at which its contact touches."
    ),
    "pick-up": look_at_mechanism(
        "What else could explain it: a supply that sags under the coil's current, temperature of the coil, voltage "
        "read elsewhere than at its terminals. Check next: repeat with smaller steps of voltage; then armature, latch "
        "and their lubrication. No least pick-up voltage is prescribed: the release's range is judged elsewhere."
    ),
}
