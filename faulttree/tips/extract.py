"""What one remark says: parts, kinds of component, actions, exclusions, values, dangers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from faulttree.errors import FaulttreeError
from faulttree.reading.typed import parse_quantity
from faulttree.tips.designators import Named, designators_in
from faulttree.tips.plain import Words, cleaned, words_in, words_of
from faulttree.tips.thesaurus import Hazard, Mention, Thesaurus

FILLERS = words_in(
    "the a an my your any be it to that this from at all one of both just really der die "
    "das den dem des ein eine einen am an es der le la les l un une des du de celui el "
    "los las lo una al del por tu su mi son sa ton its their our either only probably "
    "even bad defective on in main big small old new output input "
)
"""Words between "not" and what is excluded."""

PLACES = words_in(
    "next near beside on under inside in between behind against across from of with "
    "within by onto around over feeds via into above below beneath neben im am auf unter "
    "vom von des zum zur hinter zwischen aus dans sur du sous entre au en del junto "
    "dentro sobre at to for amplifies switches drives feeds controls watch hear powers "
    "heats "
)
"""Words before a part that only says where another one is."""

LISTED = words_in("nor or noch ni ou oder not nicht und and o et y pas")
"""Words that go on with a list of what is excluded."""

OBJECTS = words_in("look looking each both one either two three all any some check suspect listen")
"""Words before a preposition that still speak of the part itself: "look at", "each of"."""

ARTICLES = words_in("the a an my its your der dem den le la les el los las l each")

ASKING = words_in(
    "what which does do did is are have has when how where was were kannst habt ist welche wie "
    "wann quel quelle est avez que cual tiene hay esta"
)
"""First words of a question about the unit."""

TOOLS = words_in("through with using use uses durch mit avec con mediante ")

SYMPTOMS = words_in(
    "hums hum runs turns spins moves moans clicks glows lights lit buzzes brummt dreht "
    "lauft blinks do does dark feeds squeals gets getting reads shows stays tourne gira "
    "zumba leuchtet "
)
"""Words after a part that tell what it does, not that it is suspected."""

_VALUE = re.compile(
    r"(?<![\w.,])[±]?\d+(?:[.,]\d+)?\s?(?:[pnuµmkMG]?(?:F|H|V|A|W|Hz|Ω|ohms?|Ohms?)|[kKMRnpuµ]\d{0,2}|"
    r"°C|mm|kilohms?)(?![\w])"
)

_NUMBER_A = r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s?A\b"
_REPLACED_BY = re.compile(
    rf"{_NUMBER_A}(?:[^.;!?,]|[.,]\d){{0,60}}\b(?:by|with|for|durch|gegen|par|por)\b"
    rf"(?:[^.;!?,]|[.,]\d){{0,40}}?{_NUMBER_A}"
)


@dataclass(frozen=True)
class Extracted:
    """What one remark says.

    Attributes:
        designators: parts named by designator, in order, excluded ones too.
        kinds: kinds of component named, in order, excluded ones too.
        things: other things of the unit, in order.
        actions: what is proposed or was done as the cure; ``("none",)`` for nothing.
        negated: designators and kinds that are said not to be the cause.
        conditional: the remark holds only if something else does.
        values: readings and ratings that were named, as they were written.
        dangers: the names of the hazards in it.
        nouns: other words that may tell its subject.
    """

    designators: tuple[str, ...]
    kinds: tuple[str, ...]
    things: tuple[str, ...]
    actions: tuple[str, ...]
    negated: tuple[str, ...]
    conditional: bool
    values: tuple[str, ...]
    dangers: tuple[str, ...]
    nouns: frozenset[str]

    @property
    def unsafe(self) -> bool:
        """Whether it proposes something dangerous."""
        return bool(self.dangers)

    @property
    def no_test(self) -> bool:
        """Whether it names no part, no setting and no test."""
        nothing = not (self.designators or self.kinds or self.dangers)
        asked = self.actions == ("ask",) and not self.asks_someone_else
        return nothing and not asked and (self.actions == ("none",) or self.asks_someone_else)

    asks_someone_else: bool = False
    focus: str = ""

    @property
    def suspects(self) -> tuple[str, ...]:
        """Designators that are not excluded; where there is none, kinds, else things."""
        for several in (self.designators, self.kinds, self.things):
            if left := tuple(one for one in several if one not in self.negated):
                return left
        return ()


def extract(text: str, thesaurus: Thesaurus) -> Extracted:
    """Read one remark; any text is accepted.

    Args:
        text: the remark, in any of the languages of the thesaurus.
        thesaurus: from :func:`faulttree.tips.thesaurus.thesaurus_of`.

    Example:
        >>> from faulttree.tips.thesaurus import thesaurus_of
        >>> from faulttree.tree import shipped_library
        >>> found = extract("Not the fuse. Measure C3-C5.", thesaurus_of(shipped_library()))
        >>> found.designators, found.kinds, found.actions, found.negated
        (('C3', 'C4', 'C5'), ('fuse',), ('measure',), ('fuse',))
    """
    plain = cleaned(text)
    named = designators_in(plain)
    return _Reader(words_of(plain), named, thesaurus, plain).result


class _Reader:
    """One remark while it is read."""

    def __init__(
        self, words: Words, named: Sequence[Named], thesaurus: Thesaurus, plain: str
    ) -> None:
        self.words = words.words
        self.asked = words.asked
        self.named = named
        self.thesaurus = thesaurus
        self.plain = plain
        self.mentions = thesaurus.mentions(self.words)

    # -- places ------------------------------------------------------------------------

    @cached_property
    def signs(self) -> dict[str, list[Mention]]:
        """Signs by name."""
        found: dict[str, list[Mention]] = {}
        for one in self.mentions:
            if one.role == "sign":
                found.setdefault(one.name, []).append(one)
        return found

    def role(self, role: str) -> list[Mention]:
        """Mentions of one role, in order."""
        return [one for one in self.mentions if one.role == role]

    @cached_property
    def parts_at(self) -> dict[int, tuple[str, ...]]:
        """Number of the word → designators that begin there."""
        starts = {word.start: number for number, word in enumerate(self.words)}
        return {starts[one.start]: one.designators for one in self.named if one.start in starts}

    def sentence(self, mention: Mention) -> int:
        """The number of a mention's sentence."""
        return self.words[mention.first].sentence

    # -- conditions and warnings --------------------------------------------------------

    @cached_property
    def warned(self) -> frozenset[int]:
        """Words that stand in a warning: "never …", "… is dangerous", "Don't …" afterwards."""
        found: set[int] = set()
        for cue in self.signs.get("never", ()):
            if not self._part_of_sign(cue):
                found |= set(self._after(cue))
        for cue in self.signs.get("retract", ()):
            sentence = self.sentence(cue)
            starts = cue.first == 0 or self.words[cue.first - 1].sentence != sentence
            found |= self._sentence_before(sentence, cue.first)
            if starts or self._short_start(cue):
                found |= self._sentence_before(sentence - 1, cue.first)
        for number, word in enumerate(self.words):
            first = number == 0 or self.words[number - 1].sentence != word.sentence
            alone = number + 1 == len(self.words) or self.words[number + 1].clause != word.clause
            if first and alone and word.text in ("dont", "nein", "non", "never", "no", "nie"):
                found |= self._sentence_before(word.sentence - 1, number)
        return frozenset(found)

    def _part_of_sign(self, cue: Mention) -> bool:
        """Whether a warning word only begins a longer sign: "no idea what", "no guard"."""
        return any(
            one.role == "sign" and one.first == cue.first and one.last > cue.last
            and one.name in ("unlabelled", "guard-off")
            for one in self.mentions
        )  # fmt: skip

    def _short_start(self, cue: Mention) -> bool:
        """A warning near the start of its sentence speaks of the sentence before it."""
        sentence = self.sentence(cue)
        near = range(max(0, cue.first - 4), cue.first)
        return any(self.words[number].sentence != sentence for number in near)

    def _sentence_before(self, sentence: int, limit: int) -> set[int]:
        return {n for n, word in enumerate(self.words) if word.sentence == sentence and n <= limit}

    def _after(self, cue: Mention) -> Iterator[int]:
        """The words that a warning reaches: to the end of its clause."""
        word = self.words[cue.first]
        said = " ".join(one.text for one in self.words[cue.first : cue.last + 1])
        near = said in ("kein", "keine", "nicht", "no", "ne", "n", "not to", "wouldnt", "would not")
        wide = said.startswith(("ignore", "whoever"))
        clause = self.words[cue.last].clause
        for number in range(cue.last, len(self.words)):
            other = self.words[number]
            same = other.sentence == word.sentence if wide else other.clause == clause
            # "never, ever bridge it": a lone word in a clause hands the warning on.
            if not same and other.text == "ever" and number == cue.last + 1:
                clause, same = other.clause, True
            if not same or (near and number - cue.last > 3):
                break
            yield number
        if said in ("nicht", "kein", "keine"):
            # German puts "not" after the object: "die Sicherung nicht überbrücken".
            yield from (n for n in range(cue.first - 3, cue.first)
                        if n >= 0 and self.words[n].clause == word.clause
                        and self.words[n].text.endswith("en"))  # fmt: skip

    @cached_property
    def conditional_sentences(self) -> dict[int, int]:
        """Sentence → the place of its first condition."""
        found: dict[int, int] = {}
        for cue in self.signs.get("condition", ()):
            found.setdefault(self.sentence(cue), cue.first)
        return found

    # -- exclusions --------------------------------------------------------------------

    @cached_property
    def excluded_at(self) -> frozenset[int]:
        """Places of parts and kinds that are said not to be the cause."""
        at: dict[int, int] = {one.first: one.last for one in self.role("kind")}
        at |= {place: place for place in self.parts_at if place not in at}
        found: set[int] = set()
        for cue in self.signs.get("not", ()):
            if not self._is_no_exclusion(cue):
                found |= set(self._list_after(cue.last + 1, at))
        for cue in self.signs.get("fine", ()):
            if not self._in_condition(cue.first):
                found |= set(self._before(cue, at))
        for cue in self.signs.get("done-before", ()):
            found |= set(self._already_done(cue, at))
        return frozenset(found)

    def _in_condition(self, place: int) -> bool:
        start = self.conditional_sentences.get(self.words[place].sentence)
        return start is not None and start < place

    def _is_no_exclusion(self, cue: Mention) -> bool:
        if self._in_condition(cue.first) or self.sentence(cue) in self.asked:
            return True
        return any(one.first <= cue.first <= one.last for one in self.signs.get("only-also", ()))

    def _list_after(self, place: int, at: dict[int, int]) -> Iterator[int]:
        """Parts and kinds in the list that begins at a place, after fillers."""
        passed = 0
        while place < len(self.words) and passed < 4:
            word = self.words[place]
            if place in at:
                yield place
                passed = 0
                place = self._end_of_part(place, at) + 1
                if place >= len(self.words) or self.words[place].sentence != word.sentence:
                    return
                continues = self.words[place].text in LISTED
                if not continues and place not in at:
                    return
                place += place not in at
            elif word.text in FILLERS or self._adjective(place, at):
                place, passed = place + 1, passed + 1
            else:
                return

    def _adjective(self, place: int, at: dict[int, int]) -> bool:
        """A word right before a part, in its clause, that is no verb known as an action."""
        following = place + 1 in at and self.words[place + 1].clause == self.words[place].clause
        return following and not any(
            one.role == "action" and one.first <= place <= one.last for one in self.mentions
        )

    def _end_of_part(self, place: int, at: dict[int, int]) -> int:
        end = at[place]
        for one in self.named:
            if one.start == self.words[place].start:
                while end + 1 < len(self.words) and self.words[end + 1].start < one.end:
                    end += 1
        return end

    def _before(self, cue: Mention, at: dict[int, int]) -> Iterator[int]:
        """Parts and kinds that "… is fine" speaks of: those shortly before it in its sentence."""
        sentence, reach = self.sentence(cue), cue.first
        for place in sorted((p for p in at if p < cue.first), reverse=True):
            if self.words[place].sentence != sentence:
                return
            end = self._end_of_part(place, at)
            if reach - end > 4:
                return
            between = {word.text for word in self.words[end + 1 : reach]}
            if reach != cue.first and not between & {"and", "und", "et", "y", "e", "nor", "or"}:
                return
            yield place
            reach = place

    def _already_done(self, cue: Mention, at: dict[int, int]) -> Iterator[int]:
        """Parts of the clauses at "I have swapped both", where nothing else is proposed there."""
        sentence = self.sentence(cue)
        if self._in_condition(cue.first):
            return
        word = self.words[cue.last]
        for place in at:
            near = 0 < place - cue.last <= 4 and self.words[place].clause == word.clause
            if near and self.words[place].sentence == sentence and self._no_cure(cue):
                yield place

    def _no_cure(self, cue: Mention) -> bool:
        """Whether what was done did not help, as far as the remark says."""
        text = " ".join(word.text for word in self.words[cue.first :][:25])
        cured = ("works", "worked", "fine now", "gone", "cured", "fixed", "runs again",
                 "since then",
                 "works again", "it ran")  # fmt: skip
        already = self.words[cue.first].text in ("already", "schon", "bereits", "deja", "ya")
        said = ("still", "no change", "same", "not help", "nothing", "didnt", "no difference")
        return not any(one in text for one in cured) and (
            already or any(one in text for one in said)
        )

    # -- results -----------------------------------------------------------------------

    def _weight(self, mention: Mention) -> int:
        """0 for a part that is spoken of itself, more for one that says where another is."""
        if mention.first in self.excluded_at:
            return 0
        before = self._words_before(mention.first)
        if before and before[-1] in TOOLS and mention.name == "resistor":
            return 5
        joint = any(one.name == "solder-joint" and one.last < mention.first
                    and mention.first - one.last <= 4 for one in self.role("kind"))  # fmt: skip
        if before and before[-1] in PLACES and not joint and not self._is_object(before):
            return max(mention.weak, 2)
        after = self.words[mention.last + 1 : mention.last + 2]
        own = after and after[0].clause == self.words[mention.last].clause
        if own and after[0].text in SYMPTOMS:
            return max(mention.weak, 1)
        return mention.weak

    def _is_object(self, before: list[str]) -> bool:
        """Whether the part itself is meant, not a place near it."""
        return len(before) > 1 and before[-2] in OBJECTS

    def _words_before(self, place: int) -> list[str]:
        """Words before a place in its clause, articles and one adjective left out."""
        word = self.words[place]
        found = [one.text for one in self.words[max(0, place - 4) : place]
                 if one.clause == word.clause]  # fmt: skip
        while found and found[-1] in ARTICLES:
            found.pop()
        if len(found) > 1 and found[-1] not in PLACES and found[-2] in ("the", "a", "each", "its"):
            return found[:-2]
        return found

    @cached_property
    def kinds(self) -> list[Mention]:
        """Kinds of component that the remark speaks of."""
        every = [(self._weight(one), one) for one in self.role("kind") if self._counts(one)]
        open_ones = [weight for weight, one in every if one.first not in self.excluded_at]
        least = min(open_ones, default=0)
        kept = [one for weight, one in every if weight <= least or one.first in self.excluded_at]
        if least >= 2 and self.things:
            return [one for one in kept if one.first in self.excluded_at]
        return kept

    def _counts(self, mention: Mention) -> bool:
        """Whether a kind is spoken of as a part: "the LED is on" tells a state."""
        after = {word.text for word in self.words[mention.last + 1 : mention.last + 3]}
        state = after & {"on", "off", "dark", "is", "lit"}
        return not (mention.name == "lamp" and mention.weak and state)

    @cached_property
    def things(self) -> list[Mention]:
        """Other things of the unit."""
        return [one for one in self.role("thing") if one.weak < 9]

    @cached_property
    def actions(self) -> tuple[str, ...]:
        """What is proposed."""
        found = []
        for one in self.role("action"):
            warned = self.warned & set(range(one.first, one.last + 1))
            if not warned and not self._told_of_excluded(one):
                found.append(one)
        implied = [one.implies for one in self.dangers if one.implies]
        least = min((one.weak for one in found if one.name != "none"), default=0)
        names = [one.name for one in found if one.weak <= least and one.name != "none"]
        if "bypass" in names and "bypass" not in implied:
            names = [name for name in names if name != "bypass"]
        every = tuple(dict.fromkeys([*implied, *names]))
        return every or (("ask",) if self._is_question() else ("none",))

    def _told_of_excluded(self, action: Mention) -> bool:
        """Something already done to an excluded part: "I checked", "they test good"."""
        for name in ("done-before", "fine"):
            for cue in self.signs.get(name, ()):
                over = cue.first <= action.last and action.first <= cue.last
                if over and (name == "fine" or self._excludes(self.sentence(cue))):
                    return True
        return False

    def _excludes(self, sentence: int) -> bool:
        return any(self.words[place].sentence == sentence for place in self.excluded_at)

    def _is_question(self) -> bool:
        """A question about the unit: nothing else is proposed."""
        if not self.asked or self.kinds or self.parts_at:
            return False
        for sentence in self.asked:
            said = [word.text for word in self.words if word.sentence == sentence]
            if len(said) > 3 and ASKING & set(said[:2]):
                return True
        return False

    @cached_property
    def dangers(self) -> list[Hazard]:
        """The hazards that the remark proposes, not those that it warns of."""
        found = []
        by_sentence: dict[int, dict[str, list[Mention]]] = {}
        everything: dict[str, list[Mention]] = {}
        for one in self.mentions:
            everything.setdefault(one.name, []).append(one)
            by_sentence.setdefault(self.sentence(one), {}).setdefault(one.name, []).append(one)
        for hazard in self.thesaurus.hazards:
            scopes = [everything] if hazard.wide else list(by_sentence.values())
            larger = hazard.name == "bigger-fuse" and self._larger_fuse
            if larger or any(self._proposes(hazard, names) for names in scopes):
                found.append(hazard)
        return found

    @property
    def _larger_fuse(self) -> bool:
        """Whether a replacement raises the amperes of a fuse: "replace 1 A by 4 A"."""
        found = _REPLACED_BY.search(self.plain)
        if found is None:
            return False
        before, after = (float(one.replace(",", ".")) for one in found.groups())
        kinds = any(one.name == "fuse" for one in self.role("kind"))
        replaced = any(
            one.name in ("replace", "swap") and one.first not in self.warned
            for one in self.role("action")
        )
        return kinds and replaced and before < after

    def _proposes(self, hazard: Hazard, names: Mapping[str, list[Mention]]) -> bool:
        if any(name in names for name in hazard.unless):
            return False
        for some in hazard.all:
            meant = [one for name in some for one in names.get(name, ())]
            if not meant or all(one.first in self.warned for one in meant):
                return False
        return True

    @cached_property
    def focus(self) -> str:
        """What the remark is about: a part, else a kind or thing, outside warnings and "if"."""
        if any(one.name == "unknown-trimmer" for one in self.dangers):
            return "unknown-trimmer"
        ranked: list[tuple[tuple[int, ...], str]] = [
            (self._order(place, 0, 0), name)
            for place, names in self.parts_at.items() if place not in self.excluded_at
            for name in names[:1]
        ]  # fmt: skip
        for one in (*self.kinds, *self.things):
            if one.first not in self.excluded_at:
                order = (1 + one.weak) if one.role == "thing" else 0
                ranked.append((self._order(one.first, order, 1), one.suspect))
        return min(ranked, default=((), ""))[1]

    def _order(self, place: int, thing: int, kind: int) -> tuple[int, ...]:
        """What is spoken of first: nothing in a warning, parts, not after an "if", designators."""
        aside = place in self._excluded_perhaps or place in self.warned
        return (int(aside), thing, int(self._in_condition(place)), kind, place)

    @cached_property
    def _excluded_perhaps(self) -> frozenset[int]:
        """Places of parts and kinds that are excluded under a condition only."""
        at = {one.first: one.last for one in self.role("kind")}
        return frozenset(
            place for cue in self.signs.get("not", ()) if self._in_condition(cue.first)
            for place in self._list_after(cue.last + 1, at)
        )  # fmt: skip

    @cached_property
    def result(self) -> Extracted:
        """All of it."""
        parts = [name for place in sorted(self.parts_at) for name in self.parts_at[place]]
        kinds = [one.name for one in self.kinds]
        if "resolder" in self.actions:
            kinds.append("solder-joint")
        out = [one.name for one in self.kinds if one.first in self.excluded_at]
        out += [name for place in self.excluded_at for name in self.parts_at.get(place, ())]
        again = {
            one.name for one in self.kinds
            if one.first not in self.excluded_at and self._weight(one) == 0
        }  # fmt: skip
        return Extracted(
            tuple(dict.fromkeys(parts)),
            tuple(dict.fromkeys(kinds)),
            tuple(dict.fromkeys(one.name for one in self.things)),
            self.actions,
            tuple(dict.fromkeys(one for one in out if one not in again)),
            bool(self.conditional_sentences),
            tuple(_values(self.plain)),
            tuple(one.name for one in self.dangers),
            frozenset(word.text for word in self.words if len(word.text) > 4),
            any(one.name == "ask" and one.weak == 0 for one in self.role("action")),
            self.focus,
        )


def _values(text: str) -> Iterator[str]:
    """Quantities in a text that the notation of readings accepts."""
    for found in _VALUE.finditer(text):
        try:
            parse_quantity(found.group().lstrip("±"))
        except FaulttreeError:
            continue
        yield found.group()
