"""The words of the exposure register's page."""

REGISTER = "Exposure register"
NOTE = (
    "What each person was exposed to under air, by pseudonym. For occupational health only. Every look is "
    "logged. Names stay here for {years} years. Figures are estimates: heat dose is computed from the air "
    "temperature and is not what a body felt. “Heard” is the share of the time for which messages came; "
    "these sums lack the rest. “Never heard” counts entries of which no set was heard under air."
)
EVERYBODY, OF = "Everybody, all years", "{wearer}, by year"
WEARER, YEAR, ALL_YEARS = "Wearer", "Year", "all years"
HEADS = (
    "Wears",
    "Never heard",
    "Incidents / drills / training",
    "Hours under air",
    "Hours breathing hard",
    "Heat dose, sum",
    "Minutes in heat (class II and above)",
    "Contaminated wears",
    "Without decontamination",
    "Minutes contaminated",
    "Heard",
)
DOSE = "{dose:.3f} ({wears:,} measured)"
NOT_KNOWN, NONE = "not known", "–"
NOBODY = "Nobody is in the register yet."
DOWNLOAD, BACK = "Export (CSV)", "Everybody"
FIND, FIND_WEARER = "Find", "a wearer"
