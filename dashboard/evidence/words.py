"""Every word of the report that is not a figure."""

from __future__ import annotations

TITLE = "Report on the use of breathing apparatus"
SUMMARY = "In short"
WHO = "Who was under air"
COURSE = "Course of each wearer"
OVERVIEW = "Everybody on one clock"
ALARMS = "Alarms"
HEAT = "Heat"
FINDINGS = "Findings and what proves them"
NOT_HEARD = "What was not heard"
DESK = "What the desk wrote"
CLOCKS = "Clocks"
TURN_BACK = "Turn-back under each policy"
METHODS = "How the figures are made, and their limits"
IN_FORCE = "Profile in force"
MADE_FROM = "Made from"
ESTIMATE = (
    "Estimates from the messages that arrived; they stand beside, never instead of, gauges, entry control, "
    "radio and what people saw."
)
ALL_HEARD = "No silence longer than three times a set's usual interval inside any wear."
NO_DESK = "The desk wrote no note."
NO_HEAT = "No set reported a temperature."
EVIDENCE = "Messages"
MORE_EVIDENCE = "and {count} more, in the results' findings table"
PLOT_NOTE = (
    "Line: readings of the set. Shaded: estimate with its 90\u00a0% band. Hatched: silent, what happened "
    "there was "
    "not observed. Bars: alarms, solid as the set reported them, outlined under it as the readings say. "
    "Times are {zone} on the listener's clock. Scales may differ from wearer to wearer."
)
METHOD_TEXTS = (
    (
        "Air",
        "Litres are free air at 1.01325 bar and 20 °C, from the density of real air at the cylinder's "
        "pressure "
        "and estimated gas temperature; volume times pressure would overstate use near a full cylinder "
        "by half. "
        "The start temperature is the largest single risk: 10 K wrong is 4 to 5.5\u00a0% of the air.",
    ),
    (
        "Breathing rate",
        "A state-space model of the air left and the rate at which it goes, smoothed over the whole "
        "wear. The band "
        "holds nine of ten seconds on simulated wears whose truth is known; it is an estimate, not a "
        "measurement "
        "of ventilation.",
    ),
    (
        "Minutes to the warning",
        "As known at that moment, from the readings until then and nothing later; a 90\u00a0% interval.",
    ),
    (
        "Alarms",
        "Reported: what the set said. Derived: what the set's own thresholds say of its readings. A lost "
        "message "
        "can hide a report; a reading that stood between two messages can hide a crossing.",
    ),
    (
        "Heat",
        "The sensor lags. Its readings are certain; the surroundings are an estimate with the lag "
        "removed, in a "
        "range. Dose is a measure of air temperature from the literature, never what a person in fire "
        "kit felt.",
    ),
    (
        "Clocks",
        "The listener's clock is the incident's. Each set's time was moved by the offset and drift told "
        "above; the "
        "original times stand in the messages.",
    ),
    (
        "Findings",
        "Rules over these tables, each naming the messages that prove it. What was not sent or not "
        "heard, no rule "
        "can find.",
    ),
)
WEAR_HEADS = (
    "Wearer",
    "Team",
    "Set",
    "Under air ({zone})",
    "Lasted",
    "Cylinder",
    "{pressure}",
    "Air used, {volume}, ± 90\u00a0%",
    "{rate} mean / highest",
    "Below warning",
    "Not heard",
)
HEAT_HEADS = ("Wearer", "Set", "Highest reading", "Class I", "Class II", "Class III", "Class IV", "Dose")
HEAT_NOTE = (
    "Seconds of the estimated surroundings in each thermal class (NIST TN 1474). Dose: literature "
    "measure of air "
    "temperature, not what a body felt."
)
DESK_HEADS = ("Time", "Note", "Set", "Certainty")
ALARM_HEADS = ("Wearer", "Alarm", "Raised", "Acknowledged", "Cleared", "Seen", "Response", "Source")
GAP_HEADS = ("Wearer", "Set", "From", "Until", "Lasted", "Messages lost")
CLOCK_HEADS = ("Set", "Power-up", "Set minus listener", "Sure to", "Drift", "Jumps")
NOT_WHOLE = "The archive was not whole when this was made; figures may lack what is missing."
NOTHING = "none"
LOCAL_TIMES = "Times are those of {zone}, with UTC in brackets beside them; plots have the first only."
OTHER_UNITS = (
    "Figures and plots are in {pressure}, {temperature} and {volume}, converted for this report only. "
    "Sentences of the findings, the profile and the methods, and what cylinders are rated for, stay in bar, "
    "°C and litres, as they were computed."
)
