"""Ways to match boxes and truths that differ from the right one in a step: the misconceptions of lesson 08's first task."""

from __future__ import annotations

import numpy as np


def choose(overlaps, scores, limit, order=None, free=True, best=True, enough=None, forgiving=True):
    """The choice with its steps to be spoiled one by one."""
    enough = enough or (lambda overlap: overlap >= limit)
    found, taken = np.full(len(scores), -1), set()
    for row in np.argsort(-scores, kind="stable") if order is None else order:
        places = range(overlaps.shape[1]) if not best else np.argsort(-overlaps[row], kind="stable")
        for place in places:
            if not enough(overlaps[row, place]) or (free and place in taken):
                if forgiving:
                    continue
                break
            found[row] = place
            taken.add(place)
            break
    return found


def truths_choose(overlaps, limit):
    """Each truth takes the detection that overlaps it most."""
    found = np.full(len(overlaps), -1)
    for place in range(overlaps.shape[1]):
        if len(overlaps) and overlaps[:, place].max() >= limit:
            found[overlaps[:, place].argmax()] = place
    return found


def pairs(overlaps, limit):
    """The largest overlap of all is a pair, then the largest of what is left."""
    found, left = np.full(len(overlaps), -1), overlaps.copy()
    while left.size and left.max() >= limit:
        row, place = np.unravel_index(left.argmax(), left.shape)
        found[row] = place
        left[row], left[:, place] = -1, -1
    return found


def several(overlaps, scores, limit):
    """A detection that goes on when it has found a truth, and takes others as well."""
    found, taken = np.full(len(scores), -1), set()
    for row in np.argsort(-scores, kind="stable"):
        for place in range(overlaps.shape[1]):
            if place not in taken and overlaps[row, place] >= limit:
                found[row] = place
                taken.add(place)
    return found


def taken_unfound(overlaps, scores, limit):
    """The best truth is taken before anybody asks whether the overlap will do."""
    found, taken = np.full(len(scores), -1), set()
    for row in np.argsort(-scores, kind="stable"):
        free = [place for place in range(overlaps.shape[1]) if place not in taken]
        if free:
            best = max(free, key=lambda place: overlaps[row, place])
            taken.add(best)
            if overlaps[row, best] >= limit:
                found[row] = best
    return found


def by_largest(overlaps, limit):
    """The detections choose in the order of their largest overlaps."""
    return choose(overlaps, overlaps.max(axis=1, initial=0.0), limit)


def by_truth(found, count):
    """The detection that found each truth."""
    who = np.full(count, -1)
    who[found[found >= 0]] = np.flatnonzero(found >= 0)
    return who
