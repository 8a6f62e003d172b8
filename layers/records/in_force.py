"""What counts of all that is on file: the one answer for lists, letters, releases and disposal.

An id stands for one content for ever. Where a second content turns up under an id both are kept,
the graver one governs, and a person withdraws the wrong one by its content. A word about a record
(a withdrawal, an extension, a closure, the end of a hold) speaks of one content: of the one it
names or, as words of version 0.1 name none, of the only one there is, if that is not younger. A
word that cannot be told to speak of one content changes nothing. Sees only records; no file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import Any, Final

from layers.records.model import (
    SEVERITIES,
    Closure,
    Extension,
    Filed,
    Hold,
    HoldLifted,
    Record,
    SampleResult,
    Visit,
    Withdrawal,
    content_hash,
)

Word = Withdrawal | Extension | Closure | HoldLifted
Node = tuple[str, str]  # record id and content
_WORDS: Final = (Withdrawal, Extension, Closure, HoldLifted)


@dataclass(frozen=True)
class Disputed:
    """An id that stands for several contents; ``governs`` is the one that counts, "" for none."""

    record_id: str
    contents: tuple[Filed, ...]
    governs: str


@dataclass(frozen=True)
class InForce:
    """What counts.

    Attributes
    ----------
    records
        In the order of their time, then id: each id once, without what is withdrawn and without
        the contents that do not govern.
    withdrawn
        What no longer counts, each with the withdrawal that takes it away.
    disputed
        Ids with more than one content that is not withdrawn.
    holds
        Holds that are not lifted, those in dispute too.
    loose
        Words that change nothing, each with the reason.
    withdrawn_nodes
        Id and content of what is withdrawn.
    """

    records: tuple[Record, ...]
    withdrawn: tuple[tuple[Record, Withdrawal], ...]
    disputed: tuple[Disputed, ...]
    holds: tuple[Hold, ...]
    loose: tuple[tuple[Word, str], ...]
    withdrawn_nodes: frozenset[Node] = field(repr=False)
    _on_file: Mapping[str, tuple[Filed, ...]] = field(repr=False)
    _governs: Mapping[str, str] = field(repr=False)
    _disposed: Set[str] = field(repr=False)

    def content_of(self, record_id: str) -> str:
        """The content that counts under an id; empty where none does."""
        return self._governs.get(record_id, "")

    def was_disposed(self, record_id: str) -> bool:
        """Whether what stood under an id was taken out for good."""
        return record_id in self._disposed and record_id not in self._on_file

    def is_about(self, word: Word, record_id: str) -> bool:
        """Whether a word speaks of what counts under an id."""
        spoken = _content_meant(word, self._on_file)
        return spoken != "" and spoken == self.content_of(record_id)


def filed(records: Iterable[Record | Filed]) -> tuple[Filed, ...]:
    """Records with their content, each content of an id once, by time, id and content."""
    some = (r if isinstance(r, Filed) else Filed(r, content_hash(r)) for r in records)
    once = {(f.record.record_id, f.content): f for f in some}
    return tuple(sorted(once.values(), key=_in_time))


def _in_time(one: Filed) -> tuple[Any, ...]:
    return one.record.at, one.record.record_id, one.content


def in_force(records: Iterable[Record | Filed], *, disposed: Set[str] = frozenset()) -> InForce:
    """What counts of all that is on file.

    Parameters
    ----------
    records
        All of them, in any order and as often as they come.
    disposed
        Ids that were disposed of: words about them are no longer loose.
    """
    return what_counts(filed(records), disposed)


def what_counts(every: Sequence[Filed], disposed: Set[str]) -> InForce:
    """What counts of what `filed` gives."""
    nodes: dict[Node, Filed] = {(f.record.record_id, f.content): f for f in every}
    on_file: dict[str, tuple[Filed, ...]] = {}
    for (record_id, _), one in nodes.items():
        on_file[record_id] = (*on_file.get(record_id, ()), one)
    taken = _withdrawn(nodes, on_file)
    counts: list[Filed] = []
    contents: dict[str, str] = {}
    standing: dict[str, list[Filed]] = {}  # of ids with several contents
    for node, one in nodes.items():
        if node in taken:
            continue
        if len(on_file[node[0]]) > 1:
            standing.setdefault(node[0], []).append(one)
        else:
            counts.append(one)
            contents[node[0]] = node[1]
    for record_id, some in standing.items():
        if governing := gravest(some):
            counts.append(governing)
            contents[record_id] = governing.content
    if standing:
        counts.sort(key=_in_time)
    live = tuple(one.record for one in counts)
    return InForce(
        records=live,
        withdrawn=tuple((nodes[node].record, word) for node, word in sorted(taken.items())),
        disputed=tuple(
            Disputed(record_id, tuple(some), contents.get(record_id, ""))
            for record_id, some in sorted(standing.items())
            if len(some) > 1
        ),
        holds=tuple(_holds(live, nodes, on_file, taken)),
        loose=tuple(_loose(live, nodes, on_file, taken, disposed)),
        withdrawn_nodes=frozenset(taken),
        _on_file=on_file,
        _governs=contents,
        _disposed=disposed,
    )


def _holds(
    live: Sequence[Record],
    nodes: Mapping[Node, Filed],
    on_file: Mapping[str, Sequence[Filed]],
    taken: Mapping[Node, Withdrawal],
) -> Iterable[Hold]:
    """Holds that are neither withdrawn nor lifted; in dispute, all that stand."""
    lifted = {(r.of, _content_meant(r, on_file)) for r in live if isinstance(r, HoldLifted)}
    for node, one in nodes.items():
        if isinstance(one.record, Hold) and node not in taken and node not in lifted:
            yield one.record


def is_word(record: Record) -> bool:
    """Whether a record speaks of another."""
    return isinstance(record, _WORDS)


def subject_id(word: Word) -> str:
    """The id of the record a word speaks of; of a follow-up, that of its visit."""
    if isinstance(word, (Extension, Closure)):
        return word.of.rpartition("/")[0]
    return word.of


def _content_meant(word: Word, on_file: Mapping[str, Sequence[Filed]]) -> str:
    """The content that a word speaks of; empty where that cannot be told."""
    known = on_file.get(subject_id(word), ())
    if word.content:
        return word.content if word.content in {one.content for one in known} else ""
    if len(known) != 1 or known[0].record.at.date() > word.at.date():
        return ""  # by the day, as clocks differ
    return known[0].content


def _withdrawn(
    nodes: Mapping[Node, Filed], on_file: Mapping[str, Sequence[Filed]]
) -> dict[Node, Withdrawal]:
    """Contents that a withdrawal takes away.

    A withdrawal acts unless it is itself withdrawn by one that acts, or its id also stands for
    something else. Withdrawals that speak of each other in a circle take nothing away.
    """
    words: dict[Node, list[Node]] = {}
    for node, one in nodes.items():
        if isinstance(one.record, Withdrawal):
            meant = _content_meant(one.record, on_file)
            if meant:
                words.setdefault((one.record.of, meant), []).append(node)
    stands: dict[Node, bool] = {}  # what is settled so far; the rest is open

    def acts(word: Node) -> bool | None:
        others = [
            (word[0], other.content)
            for other in on_file[word[0]]
            if _effect(other) != _effect(nodes[word])
        ]
        if stands_now(word) is False or any(stands_now(other) for other in others):
            return False
        is_settled = stands_now(word) is True and all(stands_now(o) is False for o in others)
        return True if is_settled else None

    def stands_now(node: Node) -> bool | None:
        return stands.get(node) if node in words else True

    is_changing = True
    while is_changing:
        is_changing = False
        for node, speakers in words.items():
            if node in stands:
                continue
            verdicts = [acts(word) for word in speakers]
            if any(verdicts):
                stands[node] = False
            elif all(verdict is False for verdict in verdicts):
                stands[node] = True
            else:
                continue
            is_changing = True
    taken: dict[Node, Withdrawal] = {}
    for node, is_standing in stands.items():
        if not is_standing:
            word = next(nodes[w].record for w in sorted(words[node]) if acts(w))
            assert isinstance(word, Withdrawal)
            taken[node] = word
    return taken


def _effect(one: Filed) -> tuple[str, ...]:
    """What a word does; two words of one effect need no person to choose between them."""
    record = one.record
    if isinstance(record, _WORDS):
        return record.kind, record.of, record.content
    return record.kind, one.content


def gravest(some: Sequence[Filed]) -> Filed | None:
    """The graver of several contents of one id; of words that do not do the same, none."""
    if len(some) == 1:
        return some[0]
    facts = [one for one in some if not isinstance(one.record, _WORDS)]
    if facts:
        return max(facts, key=lambda one: (_gravity(one.record), one.content))
    if len({_effect(one) for one in some}) > 1:
        return None
    if isinstance(some[0].record, Extension):
        return min(some, key=lambda one: (one.record.until, one.content))  # type: ignore[union-attr]
    return min(some, key=lambda one: one.content)


_GRAVITY: Final = {word: -rank for rank, word in enumerate((*SEVERITIES, "unknown", "good"))}


def _gravity(record: Record) -> tuple[float, ...]:
    """The graver, the larger: a visit, a hold, then a laboratory's result."""
    if isinstance(record, Visit):
        found = [finding.severity for finding in record.findings]
        counts = [float(found.count(severity)) for severity in SEVERITIES]
        return (2, _GRAVITY[record.judged], *counts, float(record.outcome != "completed"))
    if isinstance(record, Hold):
        return (1, float(not record.unit_id))
    assert isinstance(record, SampleResult)
    is_over = record.limit is not None and record.value > record.limit
    return (0, float(is_over), float(record.qualifier == ">"), record.value)


def _loose(
    live: Sequence[Record],
    nodes: Mapping[Node, Filed],
    on_file: Mapping[str, Sequence[Filed]],
    taken: Mapping[Node, Withdrawal],
    disposed: Set[str],
) -> Iterable[tuple[Word, str]]:
    """Words that change nothing: kept, and said. Of follow-ups, see `standing`."""
    for word in live:
        if not isinstance(word, _WORDS) or subject_id(word) in disposed:
            continue
        subject = subject_id(word)
        meant = _content_meant(word, on_file)
        if subject not in on_file:
            if isinstance(word, (Withdrawal, HoldLifted)):
                yield word, "that record is not on file"
        elif not meant and word.content:
            yield word, f"no record {subject} has the content {word.content[:12]}"
        elif not meant and len(on_file[subject]) == 1:
            yield word, "it is older than the record it is about"
        elif not meant:
            yield word, f"the id {subject} has several contents, and it does not say which one"
        elif isinstance(word, HoldLifted) and not isinstance(nodes[subject, meant].record, Hold):
            yield word, "that record is not a hold"
        elif isinstance(word, Withdrawal) and (subject, meant) not in taken:
            yield word, "it and another withdrawal are about each other"
