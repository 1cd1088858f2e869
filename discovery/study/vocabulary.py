"""Words for the usual columns of a patient table in several languages, and comparing names loosely."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from functools import cache
from itertools import pairwise

from discovery.problems import named, near_miss, shown

# Folded words (no accents, lower case) that name a role, whole or as a part between separators.
ROLE_WORDS: dict[str, tuple[str, ...]] = {
    "id": (
        "patient_id",
        "patientid",
        "subject_id",
        "subjectid",
        "id",
        "patient",
        "subject",
        "pid",
        "mrn",
        "case_id",
        "patienten_id",
        "patientennummer",
        "pat_id",
        "pat_nr",
        "fallnummer",
        "paciente",
        "id_paciente",
        "identificador",
        "patient_no",
        "numero_patient",
        "id_patient",
        "codice_paziente",
        "paziente",
        "id_paziente",
        "deltagare",
        "patientnummer",
        "identifiant",
        "record_id",
        "study_id",
    ),
    "site": (
        "site",
        "centre",
        "center",
        "hospital",
        "site_id",
        "clinic",
        "institution",
        "zentrum",
        "krankenhaus",
        "klinik",
        "standort",
        "centro",
        "hospitales",
        "clinica",
        "hopital",
        "etablissement",
        "ospedale",
        "sjukhus",
        "ziekenhuis",
    ),
    "etiology": (
        "etiology",
        "aetiology",
        "diagnosis",
        "cause",
        "etiologie",
        "atiologie",
        "aetiologie",
        "diagnose",
        "ursache",
        "etiologia",
        "diagnostico",
        "diagnostic",
        "causa",
        "diagnosi",
        "eziologia",
        "group",
        "gruppe",
        "grupo",
    ),
    "age": (
        "age",
        "alter",
        "edad",
        "idade",
        "eta",
        "leeftijd",
        "alder",
        "age_years",
        "age_at_entry",
        "alter_jahre",
    ),
    "sex": (
        "sex",
        "gender",
        "geschlecht",
        "sexo",
        "sexe",
        "sesso",
        "geslacht",
        "kon",
        "genero",
        "female",
        "male",
    ),
    "bsa": (
        "bsa",
        "body_surface_area",
        "koerperoberflache",
        "korperoberflache",
        "kof",
        "superficie_corporal",
        "sc",
        "surface_corporelle",
        "superficie_corporea",
        "asc",
    ),
    "time": (
        "time",
        "days",
        "months",
        "years",
        "followup",
        "follow_up",
        "futime",
        "zeit",
        "tage",
        "monate",
        "tiempo",
        "dias",
        "meses",
        "temps",
        "jours",
        "mois",
        "tempo",
        "giorni",
        "mesi",
        "seguimiento",
        "nachbeobachtung",
        "suivi",
        "tid",
        "beobachtungszeit",
        "survival_time",
        "etime",
        "ftime",
        "rtime",
        "dtime",
        "stop",
    ),
    "entry": ("entry", "start", "entry_time", "left_truncation", "eintritt", "entrada", "entree", "ingresso"),
    "status": (
        "status",
        "event",
        "death",
        "died",
        "dead",
        "cens",
        "estado",
        "evento",
        "muerte",
        "fallecido",
        "ereignis",
        "tod",
        "verstorben",
        "statut",
        "evenement",
        "deces",
        "decede",
        "morte",
        "evento",
        "fustat",
        "endpoint",
        "recur",
        "relapse",
        "deceased",
    ),
    "outcome": (
        "outcome",
        "endpoint",
        "event",
        "response",
        "responder",
        "death",
        "died",
        "malignant",
        "failure",
        "readmission",
        "ausgang",
        "ergebnis",
        "endpunkt",
        "tod",
        "verstorben",
        "ansprechen",
        "ausfall",
        "desenlace",
        "muerte",
        "fallecido",
        "respuesta",
        "reingreso",
        "issue",
        "deces",
        "reponse",
        "esito",
        "risposta",
        "progression",
        "target",
    ),
    "visit": ("visit", "visite", "visita", "besuch", "timepoint", "session"),
}


# Folded codes that say yes, or that the event happened.
YES_WORDS = frozenset(
    (
        "yes",
        "y",
        "true",
        "ja",
        "j",
        "si",
        "s",
        "oui",
        "o",
        "sim",
        "event",
        "positive",
        "pos",
        "malignant",
        "poor",
        "dead",
        "died",
        "death",
        "deceased",
        "tot",
        "verstorben",
        "gestorben",
        "ereignis",
        "muerto",
        "muerte",
        "fallecido",
        "evento",
        "decede",
        "mort",
        "morto",
    )
)
NO_WORDS = frozenset(
    (
        "no",
        "n",
        "false",
        "nein",
        "non",
        "nao",
        "alive",
        "censored",
        "negative",
        "neg",
        "benign",
        "good",
        "lebt",
        "lebend",
        "zensiert",
        "vivo",
        "censurado",
        "vivant",
        "censure",
        "vivente",
    )
)
# Folded words for a unit of time, as the last word of a column's name says it.
TIME_UNITS: dict[str, tuple[str, ...]] = {
    "hours": ("hour", "hours", "hrs", "stunde", "stunden", "hora", "horas", "heure", "heures", "ore"),
    "days": ("day", "days", "tag", "tage", "tagen", "dia", "dias", "jour", "jours", "giorno", "giorni"),
    "weeks": ("week", "weeks", "woche", "wochen", "semana", "semanas", "semaine", "semaines", "settimane"),
    "months": ("month", "months", "monat", "monate", "monaten", "mes", "meses", "mois", "mese", "mesi"),
    "years": (
        "year",
        "years",
        "yrs",
        "jahr",
        "jahre",
        "jahren",
        "ano",
        "anos",
        "an",
        "ans",
        "annees",
        "anni",
    ),
}
# What the channels of a recording are usually called, by role.
CHANNEL_WORDS: dict[str, tuple[str, ...]] = {
    "rv": ("rvp", "rv", "rvpressure"),
    "pa": ("pap", "pa", "papressure"),
    "ra": ("rap", "ra"),
    "cvp": ("cvp", "zvd", "pvc"),
    "pawp": ("pawp", "pcwp", "paop", "wedge"),
    "abp": ("abp", "art", "arterialpressure"),
    "ecg": ("ecg", "ekg", "ecgii", "ii"),
    "co": ("co", "cardiacoutput"),
    "svo2": ("svo2",),
    "resp": ("resp", "respiration"),
}


MOST_COMPARED = 3000  # columns that a mistyped name is compared with


def folded(text: str) -> str:
    """`text` without accents, case, spaces or separators: `Edad (años)` becomes `edadanos`."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).casefold()
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return re.sub(r"[^\w]|_", "", plain)


def words_of(text: str) -> list[str]:
    """The folded words of a column name: `Follow-up (days)` gives follow, up, days."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    plain = "".join(letter for letter in plain if not unicodedata.combining(letter))
    plain = re.sub(r"([a-z])([A-Z])", r"\1 \2", plain).casefold()
    return [word for word in re.split(r"[\W_]+", plain) if word]


def time_unit(column: str) -> str:
    """The unit of time that a column's name ends in, in English; "" when it says none."""
    last = words_of(column)[-1:]
    return next((unit for unit, words in TIME_UNITS.items() if last and last[0] in words), "")


@cache
def folded_words(role: str) -> list[str]:
    return [folded(word) for word in ROLE_WORDS[role]]


def has_role(column: str, role: str) -> bool:
    """Whether a column's name says that it plays `role`: as a whole, or by one or two of its words."""
    return role_score(column, role) > 0


def role_score(column: str, role: str) -> int:
    """How surely a name says `role`: the earlier a word stands in its list the higher; 0 is not at all."""
    listed = folded_words(role)
    words = words_of(column)
    pairs = ["".join(pair) for pair in pairwise(words)]
    if folded(column) in listed:
        return 2 * len(listed) - listed.index(folded(column))
    return max((len(listed) - listed.index(word) for word in (*words, *pairs) if word in listed), default=0)


def nearest_column(name: str, columns: Iterable[str]) -> str:
    """A hint for a column that is not there: the same but for accents and case, near, or of the same role."""
    known = list(columns)[:MOST_COMPARED]
    plain: dict[str, str] = {}
    for column in known:
        plain.setdefault(folded(column), column)
    wanted = folded(name)[:80]
    near = wanted if wanted in plain else near_miss(wanted, plain)
    if near:
        return f"did you mean {shown(plain[near])}?"
    for role in ROLE_WORDS:
        if has_role(name, role):
            same = [column for column in known if has_role(column, role)]
            if same:
                return f"did you mean {shown(same[0])}?"
    if not known:
        return "there is none"
    return f"the columns are {', '.join(map(named, known[:12]))}{' …' if len(known) > 12 else ''}"
