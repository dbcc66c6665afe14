"""Every word of the report that is not a figure."""

TITLE = "Report on the use of breathing apparatus"
SUMMARY = "In short"
COURSE = "Course of each wearer"
OVERVIEW = "Everybody on one clock"
FINDINGS = "Findings and what proves them"
METHODS = "How the figures are made, and their limits"
IN_FORCE = "Profile in force"
MADE_FROM = "Made from"
ESTIMATE = (
    "Figures are estimates from the messages that arrived. They do not replace gauges, entry control, radio "
    "or what people saw."
)
EVIDENCE = "Messages"
WENT_IN = "{people} tallied in."
ALL_OUT = "A desk said of everybody that they came out."
NOT_OUT = "For {count} nobody said out: {who}."
LAST_HEARD = "last heard {when}"
NEVER_HEARD = "never heard under air"
MORE_PEOPLE = "{count} more"
MORE_EVIDENCE = "and {count} more, in the results' findings table"
PLOT_NOTE = (
    "Line: readings of the set. Shaded: estimate with its 90\u00a0% band. Hatched /: silent, nothing was "
    "observed. Hatched \\: heard later, not yet known to the desk. Bars: alarms. Solid: the set reported it. "
    "Outlined below: the readings say so. Times are {zone} on the listener's clock. Scales may differ from "
    "wearer to wearer."
)
METHOD_TEXTS = (
    (
        "Air",
        "Litres are free air at 1.01325 bar and 20 °C, from the density of real air at the cylinder's "
        "pressure and the estimated gas temperature. Volume times pressure would overstate use near a full "
        "cylinder by half. The start temperature is the largest uncertainty: an error of 10 K changes the "
        "air by 4 to 5.5\u00a0%.",
    ),
    (
        "Breathing rate",
        "A state-space model of the air left and of the rate at which it goes, smoothed over the whole "
        "wear. The band contains nine of ten 30 s means of simulated and real breathing. It is an "
        "estimate, not a measurement of ventilation.",
    ),
    (
        "Minutes to the warning",
        "As known at that moment, from the readings up to then and nothing later, with a 90\u00a0% interval.",
    ),
    (
        "Alarms",
        "Reported: what the set said. Derived: what its readings say by its own thresholds. A lost "
        "message can hide a report. A crossing between two messages leaves no trace.",
    ),
    (
        "Heat",
        "The sensor lags. Readings are as the set sent them. The surroundings are an estimate with the lag "
        "removed, and a range. Dose is a measure of air temperature from the literature, never what a "
        "person in fire kit felt.",
    ),
    (
        "Clocks",
        "The listener's clock is the incident's clock. Each set's time was moved by the offset and drift "
        "above. The messages keep the original times.",
    ),
    (
        "Findings",
        "Each finding is a rule over these tables and names the messages that prove it. No rule can find "
        "what was not sent or not heard.",
    ),
)
MESSAGES = "Messages"
MESSAGES_TEXT = "{kept} valid, {refused} refused, {conflicting} conflicting"
SHA256 = "SHA-256 of the messages as a capture, one on each line, in the order received"
EXPORTED = "Made by"
ARCHIVE = "Archive"
WHOLE = "Complete when this report was made. Every file of these days is unchanged since it was written."
IMPORTED = "Imported capture"
CLOCK_SET = "Clock of the listener"
HEAD = "Head of the archive's chain “{writer}”"
PROGRAM = "Program"
VERSIONS = "Versions"
NOT_WHOLE = "The archive was incomplete when this report was made. Figures leave out what is missing."
TIMES = "Every time in this report is {zone}."
OTHER_UNITS = (
    "Figures, plots and sentences are in {pressure}, {temperature} and {volume}, converted for this report. "
    "Profile and methods stay in bar, °C and litres."
)
COURSE_OF = "Course of {who}"
OVERVIEW_NOTE = "Shade: lowest pressure, darker means lower. Blank: not under air. Hatched: silent."
