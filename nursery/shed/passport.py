"""What does the plant passport of a batch say?

The layout follows Regulation (EU) 2016/2031, Annex VII part A, and its counterpart in Great
Britain. A passport is a legal document: only an authorised operator issues it, its look
(Implementing Regulation (EU) 2017/2313: a rectangle or square, legible unaided, clearly set apart)
and who needs one change, and the plant health authority's word rules over anything here.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from sqlmodel import Session

from nursery.batch import Batch
from nursery.database import site
from nursery.errors import Fault

CAUTION = (
    "Only an authorised professional operator may issue plant passports. Law changes:"
    " your plant health authority decides what is needed, not this text."
)
# The members of the European Union by ISO 3166-1, from memory (2025).
EU = frozenset(re.findall("..", "ATBEBGCYCZDEDKEEESFIFRGRHRHUIEITLTLULVMTNLPLPTROSESISK"))


class PassportForm(StrEnum):
    """Whose passport it is, by the words that stand upper right."""

    EU = "Plant Passport"
    GB = "UK Plant Passport"


@dataclass(frozen=True, slots=True)
class PlantPassport:
    """The four entries of a plant passport, and the words above them.

    A botanical name; B registration number; C traceability code; D country of origin. For a
    protected zone, `protected` names its quarantine pests (scientific names or EPPO codes), which
    stand directly under the words.
    """

    form: PassportForm
    botanical_name: str
    registration: str
    traceability_code: str
    origin: str
    protected: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """Which words stand upper right? Implementing Regulation (EU) 2017/2313, Annex, legend 1.

        The letters of Great Britain's form ("PFA": pest free area) are from memory.
        """
        zone = {PassportForm.EU: "PZ", PassportForm.GB: "PFA"}[self.form]
        return f"{self.form.value} \u2013 {zone}" if self.protected else self.form.value

    def entries(self) -> tuple[tuple[str, str], ...]:
        """Which letter stands before what?"""
        return (
            ("A", self.botanical_name),
            ("B", self.registration),
            ("C", self.traceability_code),
            ("D", self.origin),
        )

    def text(self, width: int = 44) -> str:
        """What is printed, as lines of at least `width` characters' room?

        The words stand upper right; upper left is the Union's flag (none in Great Britain),
        which the printer of the label puts in the place that is named here.
        """
        flag = "[Union flag]" if self.form is PassportForm.EU else ""
        head = flag + self.title.rjust(width - len(flag))
        pests = [", ".join(self.protected).rjust(width)] if self.protected else []
        return "\n".join([head, *pests, *(f"{letter} {value}" for letter, value in self.entries())])


def passport(session: Session, batch: Batch, protected: Sequence[str] = ()) -> PlantPassport:
    """Which passport goes with plugs of this batch, from this nursery?

    `protected`: the quarantine pests of the protected zone that the plants go to, none otherwise.
    Raises `Fault` where the nursery has no registration, the batch no origin, the number does
    not fit the form, or no form is known for the nursery's country: ask the authority.
    """
    home = site(session)
    form = _form(home.country)
    thing = f"Plant passport of batch '{batch.code}'"
    if not batch.origin_country:
        raise Fault(thing, "needs the country of origin", "", "correct the Batches sheet")
    return PlantPassport(
        form=form,
        botanical_name=batch.crop.name,
        registration=_registration(thing, form, home.passport_registration.strip()),
        traceability_code=batch.code,
        origin=batch.origin_country,
        protected=tuple(pest.strip() for pest in protected if pest.strip()),
    )


def _form(country: str) -> PassportForm:
    if country in EU:
        return PassportForm.EU
    if country == "GB":
        return PassportForm.GB
    raise Fault(
        "Plant passport",
        "no form is known for the nursery's country",
        country,
        "ask your plant health authority which papers go with the plants",
    )


def _registration(thing: str, form: PassportForm, number: str) -> str:
    if not number:
        raise Fault(thing, "needs the nursery's registration number", "", "correct the Site sheet")
    code, hyphen, rest = number.partition("-")
    coded = bool(hyphen) and len(code) == 2 and code.isalpha()
    if form is PassportForm.GB:
        return rest if coded and code.upper() == "GB" else number
    if not coded or code.upper() not in EU or not rest:
        rule = "must be the country's two letters, a hyphen and the registration"
        raise Fault(thing, rule, number, "correct the Site sheet, such as NL-123456789")
    return number
