"""The places that orders take: ranked by the goals, in groups that are expected to sound alike."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from simchain.decide.alike import Alike
from simchain.decide.found import Found, Group, Lost, Quality, Ranked
from simchain.decide.goals import Table
from simchain.decide.groups import Floats, Grouping, Orders, grouped
from simchain.decide.plan import Ints
from simchain.decide.runs import COARSE, FULL, Pass
from simchain.decide.trial import Asked, Trial
from simchain.decide.unbeaten import unbeaten
from simchain.decide.why import why

# The best of the coarse pass that are listened to again, and orders that no other beats there.
FINE, FINE_UNBEATEN = 60, 20
# So many orders are told, and put into groups where what the ear has of all cannot be kept.
RANKED = 1_000
# Costs that are the same to a hundredth of a step are the same.
_DIGITS = 2
# Groups whose members are listened to again, and so many members of each at most.
TOLD, TOLD_MEMBERS = 10, 24
_EVERY_AMP = "every_amp"


class Heard:
    """Orders of a first trial, by their numbers there, as another trial heard them."""

    def __init__(self, first: Trial, how: Pass, numbers: Sequence[int]) -> None:
        self.trial = Trial(first.asked, how, first.words[sorted(numbers)])
        self.own = {number: self.trial.number_of(first.words[number]) for number in numbers}

    def among(self, numbers: Iterable[int]) -> NDArray[np.bool_]:
        """Tell of which orders it is known what the ear has of them."""
        kept = self.trial.keeps_ears
        return np.array([kept and number in self.own for number in numbers], dtype=np.bool_)

    def louder_lu(self, one: int, others: Ints) -> Floats:
        """Return how far an order and others differ in level; see `Alike.louder_lu`."""
        own = np.array([self.own[number] for number in others.tolist()], dtype=np.int32)
        return self.trial.alike.louder_lu(self.own[one], own)


class Places:
    """Places of the orders of a first trial; the best of them may be listened to again."""

    def __init__(self, asked: Asked, first: Trial, *, again: bool) -> None:
        self.asked, self.first = asked, first
        self.table = first.table(() if again else self._on_other_amps(first))
        score = self.table.score[first.counted]
        in_first = [int(each) for each in first.counted[np.argsort(score, kind="stable")]]
        self.first_place = {number: place for place, number in enumerate(in_first, start=1)}
        self.second: Heard | None = None
        self.second_table: Table | None = None
        self.ranked = self._listened_again(in_first) if again else in_first

    def found(self, warnings: Sequence[str]) -> Found:
        """Return all that is told of them, with these `warnings` and what was noticed here."""
        asked, first = self.asked, self.first
        groups, grouped_all = self._groups()
        told = self.ranked[: min(RANKED, sum(len(group.members) for group in groups))]
        group_of = {number: at for at, group in enumerate(groups) for number in group.members}
        unbeaten_ones = self._unbeaten(list(self.second.own) if self.second else told)
        ranking = tuple(
            self._ranked(number, group_of[number], number in unbeaten_ones) for number in told
        )
        more = [] if grouped_all else list(self._not_kept(len(told)))
        coarse = first.how is COARSE
        return Found(
            board=asked.board,
            amp=asked.amp,
            blocks=tuple(name for token in asked.allowed.tokens for name in token),
            passages=asked.passages,
            weights=asked.weights,
            orders_total=asked.allowed.total,
            orders_allowed=asked.allowed.count,
            orders_visited=len(first.class_of),
            orders_distinct=len(first.counted),
            ranking=ranking,
            groups=tuple(self._group(group) for group in groups),
            blocks_rendered=sum(each.tally.units for each in first.music),
            seconds=0.0,
            lost=self._lost(),
            coarse_rate=first.board.rate if coarse else None,
            coarse_s=COARSE.longest_s if coarse else None,
            warnings=(*warnings, *more),
            why=why(asked.board, ranking, asked.weights),
        )

    def _listened_again(self, in_first: Sequence[int]) -> list[int]:
        """Listen to the best at full quality; return all, these first, by what was heard then."""
        best = in_first[:FINE]
        others = [each for each in self._unbeaten(in_first[:RANKED]) if each not in best]
        by_place = sorted(others, key=lambda each: self.first_place[each])
        chosen = dict.fromkeys([*best, *by_place[:FINE_UNBEATEN], *self._told_at_first(in_first)])
        most = max(FINE, self.first.most_with_ears(FULL))
        self.second = Heard(self.first, FULL, list(chosen)[:most])
        trial = self.second.trial
        self.second_table = trial.table(self._on_other_amps(trial))
        score, own = self.second_table.score, self.second.own
        again = sorted(own, key=lambda each: (score[own[each]], self.first_place[each]))
        return [*again, *(each for each in in_first if each not in own)]

    def _told_at_first(self, in_first: Sequence[int]) -> list[int]:
        """Return the members of the groups that come first after the first pass.

        Its excerpts are short, and it hears too much alike: what is told of groups is listened to
        again.
        """
        if not self.first.keeps_ears:
            return []
        found = grouped(in_first, self.first.alike.louder_lu)[:TOLD]
        return [number for group in found for number in group.members[:TOLD_MEMBERS]]

    def _on_other_amps(self, trial: Trial) -> list[Trial]:
        """Return what a trial's orders read on the other amplifiers, if that counts."""
        if _EVERY_AMP not in self.asked.weights:
            return []
        others = [name for name in self.asked.board.amps if name != self.asked.amp]
        return [trial.on_amp(name) for name in others]

    def _unbeaten(self, numbers: Sequence[int]) -> set[int]:
        """Return those of some orders that no other of them beats in all goals."""
        table, rows = self.table, np.array(numbers)
        if self.second is not None and self.second_table is not None:
            table, rows = self.second_table, np.array([self.second.own[each] for each in numbers])
        costs = {goal: np.round(cost[rows], _DIGITS) for goal, cost in table.costs.items()}
        return {number for number, is_one in zip(numbers, unbeaten(costs), strict=True) if is_one}

    def _groups(self) -> tuple[list[Grouping], bool]:
        """Return the groups, best first, and whether all orders are in one."""
        first = self.first
        coarsely: Heard | Alike
        ranked = self.ranked
        if first.keeps_ears:
            coarsely = first.alike
        else:
            ranked = self.ranked[: min(RANKED, first.most_with_ears(first.how))]
            coarsely = Heard(first, first.how, ranked)

        def louder(one: int, others: Ints) -> Floats:
            if self.second is None or not self.second.among([one])[0]:
                return coarsely.louder_lu(one, others)
            again = self.second.among(others.tolist())
            found = np.empty(len(others))
            found[again] = self.second.louder_lu(one, others[again])
            found[~again] = coarsely.louder_lu(one, others[~again])
            return found

        return grouped(ranked, louder), ranked is self.ranked

    def _ranked(self, number: int, group: int, is_unbeaten: bool) -> Ranked:
        table, row = self.table, number
        again = self.second is not None and number in self.second.own
        if again and self.second is not None and self.second_table is not None:
            table, row = self.second_table, self.second.own[number]
        return Ranked(
            order=self.first.orders[number],
            score=float(table.score[row]),
            values={goal: float(values[row]) for goal, values in table.values.items()},
            costs={goal: float(costs[row]) for goal, costs in table.costs.items()},
            quality="full" if again else self.first.how.quality,
            group=group,
            coarse_place=self.first_place[number],
            unbeaten=is_unbeaten,
        )

    def _group(self, group: Grouping) -> Group:
        best = group.members[0]
        words = np.concatenate([self.first.members(each) for each in group.members])
        members = Orders(self.asked.allowed, words)
        quality: Quality = self.first.how.quality
        if self.second is not None and all(each in self.second.own for each in group.members):
            quality = "full"
        return Group(
            representative=self.first.orders[best],
            members=members,
            proved=len(self.first.members(best)),
            louder_lu=group.louder_lu,
            free_places=members.free_places(self.first.words[best]),
            quality=quality,
        )

    def _lost(self) -> Lost | None:
        if self.second is None:
            return None
        places = [self.first_place[number] for number in self.ranked[:10]]
        return Lost(len(self.second.own), places[0], max(places))

    def _not_kept(self, grouped_ones: int) -> Iterator[str]:
        """Say what was left out because not all ears could be kept."""
        yield (
            f"only the best {grouped_ones:,} of {len(self.ranked):,} orders that differ were put "
            "into groups: what the ear has of all of them takes too much memory"
        )
        if self.asked.reference is not None:
            yield (
                "[goals] closeness counts among the orders that were listened to again only, for "
                "the same reason"
            )
