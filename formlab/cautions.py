"""Cautions that go with every card, report and suggestion. They remind; they do not judge.

Which ones apply is chosen by what the recipe contains and by the place where the card is read. The wording defers
to the safety data sheet, the site's own assessment, local codes, and trained and authorised people; no limit
values are printed, as they differ between countries and change.

Facts behind the rules: US 29 CFR 1910.216 on mills; HSE sheet RB4 on milling and guidance IACL95 on rubber dust
and fume; TRGS 552 and EN 71-12 on N-nitrosamines; US and EU rules on respirable crystalline silica; NFPA 660 on
combustible dusts. All of these were read as summaries or are given from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from formlab.errors import FormlabError
from formlab.html import Markup, escape

__all__ = [
    "GENERAL",
    "RULES",
    "STAGES",
    "Caution",
    "Material",
    "Rule",
    "cautions_for",
    "cautions_html",
    "short_name",
]

STAGES = ("weigh", "mill", "press", "test")

GENERAL = (
    "Planning aid only. Follow your site's risk assessment, the machine makers' instructions, the safety data "
    "sheet of every material and the law where you work; where they disagree with this, they win. Mills and "
    "presses only by trained and authorised people: in-running nip, hot platens and stock, sulfur and filler "
    "dust, crystalline silica in abrasives, accelerators that can form nitrosamines, curing fumes."
)


class Material(Protocol):
    """What a rule looks at; an ingredient of a brief is one."""

    @property
    def name(self) -> str: ...
    @property
    def role(self) -> str: ...
    @property
    def label(self) -> str: ...
    @property
    def contains(self) -> Mapping[str, float]: ...


@dataclass(frozen=True)
class Rule:
    """When a caution applies: at which stages, and to materials of which kind.

    A material is of the kind if it has one of the `roles` and one of the `words` (each where there are any) and
    none of the words in `but` in its name, label or contents. A word in a rule is a whole run of letters; one
    that ends in ``*`` may go on, and one that starts with it may stand inside a longer word. A rule without
    roles and words always applies.
    """

    topic: str
    stages: tuple[str, ...]
    text: str  # {materials} stands for what was found
    roles: frozenset[str] = frozenset()
    words: tuple[str, ...] = ()
    but: tuple[str, ...] = ()
    children: bool = False  # only for articles that children use

    def found(self, materials: Iterable[Material]) -> list[str]:
        """Return the materials of this kind, as people call them."""
        return [short_name(m.label or m.name.replace("_", " ")) for m in materials if self._is_kind(m)]

    def _is_kind(self, material: Material) -> bool:
        if self.roles and material.role not in self.roles:
            return False
        text = " ".join([material.name, material.label, *material.contains]).lower()
        return (not self.words or _has(text, self.words)) and not _has(text, self.but)

    @property
    def always(self) -> bool:
        return not (self.roles or self.words)


def _has(text: str, words: tuple[str, ...]) -> bool:
    return any(re.search(_pattern(word), text) for word in words)


def _pattern(word: str) -> str:
    core = re.escape(word.strip("*"))
    return (
        ("" if word.startswith("*") else r"(?<![a-z])") + core + ("" if word.endswith("*") else r"(?![a-z])")
    )


@dataclass(frozen=True)
class Caution:
    """One caution as it applies to one recipe."""

    topic: str
    text: str
    materials: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.topic}: {self.text}"


# Secondary-amine types and those said to be less critical, from memory; the trade's short names.
_SECONDARY = (
    "tmtd", "tmtm", "tetd", "dptt", "zdmc", "zdec", "zdbc", "mbs", "nobs", "dtdm", "otos", "*thiuram*",
    "*dithiocarbamat*", "*morpholin*",
)  # fmt: skip
_LESS = ("zbec", "tbztd", "*dibenzyl*", "*tetrabenzyl*")
_GUANIDINES = ("dpg", "dotg", "*guanidin*")
_SILICA = (
    "pumice", "quartz*", "sand", "*diatom*", "kieselgu*", "tripoli", "feldspar", "kaolin*", "clay*", "talc*",
    "silica flour",
)  # fmt: skip
_METALS = (
    "zinc*",
    "zno",
    "barium*",
    "baryt*",
    "lithopone",
    "lead",
    "*cadmium*",
    "*chrom*",
    "antimon*",
    "copper*",
)


def _roles(*names: str) -> frozenset[str]:
    return frozenset(names)


RULES = (
    Rule(
        "Mill nip", ("mill",),
        "In-running nip. Try the trip bars, the stop and the stopping distance before starting, as your local code "
        "requires. No loose clothing or hair; gloves only as your site allows. Never push stock into the nip by hand. "
        "Trained and authorised people only.",
    ),
    Rule(
        "Press", ("press",),
        "Hot platens and mould: burns. Hands out while it closes; guards as the maker fitted them. Bump only as your "
        "procedure says. Trained and authorised people only.",
    ),
    Rule(
        "Hot stock", ("mill", "press"),
        "Stock and slabs come off hot; steam and splash at the quench. Gloves and eye protection as your site's "
        "assessment asks.",
    ),
    Rule(
        "Rubber dust and fume", ("weigh", "mill", "press"),
        "Use the extraction your site's assessment calls for when weighing, milling and opening the press.",
    ),
    Rule(
        "Lifting", ("weigh",),
        "What lies over your site's lifting limit goes in several tubs. Ask for help or a hoist.",
    ),
    Rule(
        "Powders", ("weigh", "mill"),
        "{materials}: fine dust. Scoop low, keep lids on, extraction on; no dry sweeping or air line.",
        roles=_roles("filler", "abrasive", "pigment"),
    ),
    Rule(
        "Crystalline silica", ("weigh", "mill", "test"),
        "{materials} can hold respirable crystalline silica. Ask for the supplier's figure. Clean wet or with a "
        "suitable vacuum; respirator as your programme says.",
        roles=_roles("filler", "abrasive", "pigment", "other"), words=_SILICA,
    ),
    Rule(
        "Unnamed abrasive", ("weigh", "mill", "test"),
        "{materials}: read the safety data sheet for its content of respirable crystalline silica before use.",
        roles=_roles("abrasive"), but=_SILICA,
    ),
    Rule(
        "Talc", ("weigh", "mill"),
        "{materials}: use only talc whose supplier states it free of asbestos; avoid clouds when dusting sheets.",
        words=("talc*", "talcum"),
    ),
    Rule(
        "Sulfur dust", ("weigh", "mill"),
        "{materials}: fine sulfur dust can ignite and explode. No open scoops over hot rolls, no sparks, earth the "
        "scoop and tub, follow your site's dust rules.",
        words=("sulfur", "sulphur", "schwefel"), roles=_roles("curing agent", "other"),
    ),
    Rule(
        "Peroxide", ("weigh", "mill", "press"),
        "{materials}: organic peroxides decompose on heating and on contact with accelerators, acids and metal dust. "
        "Storage temperature and amounts as the safety data sheet says.",
        words=("*peroxid*", "dcp", "dicumyl*"),
    ),
    Rule(
        "N-nitrosamines", ("weigh", "mill", "press"),
        "This recipe contains {materials}. Accelerators built on secondary amines can form N-nitrosamines in cure "
        "and storage. Check the safety data sheet and the rules that hold where the goods are made and sold.",
        words=_SECONDARY,
    ),
    Rule(
        "Benzyl accelerators", ("weigh", "mill", "press"),
        "{materials}: said to be less critical for N-nitrosamines; still check the safety data sheet.",
        words=_LESS,
    ),
    Rule(
        "Guanidines", ("weigh", "mill", "press"),
        "{materials}: can give off aromatic amines when heated. Check the safety data sheet.",
        words=_GUANIDINES,
    ),
    Rule(
        "White factice", ("weigh", "mill"),
        "{materials}: acidic residues that hold chlorine. Keep dry, ventilate when heated, keep from basic "
        "accelerators.",
        roles=_roles("factice"), words=("white",),
    ),
    Rule(
        "Oil", ("weigh", "mill"),
        "{materials}: slippery floor, wipe up at once. Hot oil burns.",
        roles=_roles("oil"),
    ),
    Rule(
        "Aromatic oil", ("weigh", "mill", "press"),
        "{materials}: untreated aromatic oils can hold polycyclic aromatics. Ask the supplier for the figure and "
        "check the rules for the article.",
        roles=_roles("oil"), words=("*aromatic*", "dae", "extract"),
    ),
    Rule(
        "Heavy metals", ("weigh", "mill"),
        "{materials}: keep dust, waste and wash water out of the drain; dispose of them as local rules say.",
        words=_METALS,
    ),
    Rule(
        "Regrind", ("weigh", "mill"),
        "{materials}: guards on the grinder, metal detection and dust extraction as your site asks; heaps and bins "
        "can heat up and smoulder. Never mix colours or cure systems.",
        roles=_roles("regrind"),
    ),
    Rule(
        "Test bench", ("test",),
        "Trial stock of unknown properties: wash hands after handling, keep crumbs off food and skin, do not hand "
        "pieces out of the laboratory.",
    ),
    Rule(
        "Children's articles", STAGES,
        "Which rules hold (migration of elements, N-nitrosamines, plasticisers, colours, scent and food shapes, small "
        "parts) is for your product-safety people and a test laboratory to say. This is a reminder, not a verdict.",
        children=True,
    ),
    Rule(
        "Children's articles, accelerators", STAGES,
        "{materials}: secondary-amine accelerators meet extra rules in articles for children, such as EN 71-12. "
        "Clear this with your product-safety people before any piece leaves the site.",
        words=_SECONDARY, children=True,
    ),
)  # fmt: skip


def short_name(text: str, longest: int = 24) -> str:
    """Return a long name of a material up to its first comma or bracket.

    Examples
    --------
    >>> short_name("ground chalk, stearate-coated, 2 micrometre"), short_name("MBTS (80 %)")
    ('ground chalk', 'MBTS (80 %)')
    """
    return text if len(text) <= longest else re.split(r"\s*[,;(\[]", text, maxsplit=1)[0] or text


def cautions_for(
    materials: Iterable[Material],
    *,
    stage: str | None = None,
    children: bool = False,
    rules: Iterable[Rule] = RULES,
) -> list[Caution]:
    """Return the cautions that a recipe calls for.

    Parameters
    ----------
    materials : iterable
        What is in the recipe, such as the ingredients of a brief that are not zero: name, role, label, contains.
    stage : {"weigh", "mill", "press", "test"}, optional
        Where it will be read; all of them if left out.
    children : bool
        Whether children use the article. Adds reminders, not verdicts.
    rules : iterable of Rule
        The site's own may be added to ours, or stand in for them.

    Examples
    --------
    >>> from types import SimpleNamespace as Line
    >>> oil = Line(name="oil", role="oil", label="soya oil", contains={})
    >>> print(*cautions_for([oil], stage="weigh")[-1:])
    Oil: soya oil: slippery floor, wipe up at once. Hot oil burns.
    """
    if stage is not None and stage not in STAGES:
        raise FormlabError(f"stage = {stage!r}. Use one of {', '.join(STAGES)}, or None for all.")
    lines = list(materials)
    said: list[Caution] = []
    for rule in rules:
        if (stage is not None and stage not in rule.stages) or (rule.children and not children):
            continue
        found = [] if rule.always else rule.found(lines)
        if rule.always or found:
            said.append(Caution(rule.topic, rule.text.format(materials=_listed(found)), tuple(found)))
    return said


def cautions_html(cautions: Iterable[Any]) -> Markup:
    """Return cautions as an HTML list with the general one first."""
    items = "".join(f"<li><b>{escape(c.topic)}.</b> {escape(c.text)}</li>" for c in cautions)
    return Markup(f"<div class='cautions'><p>{escape(GENERAL)}</p><ul>{items}</ul></div>")


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""
