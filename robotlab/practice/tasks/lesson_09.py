"""Lesson 09: frame time and power."""

from __future__ import annotations

import numpy as np

from robotlab.practice.task import Misconception, Task
from robotlab.practice.tasks.lesson_09_power import CELLS_STATE, RUNNING_TIME


def throughput(stages_s, camera_hz, own_threads):
    """Pictures that a loop works on in each second, Hz.

    stages_s: (N,) array, time of each stage for one picture, s.
    camera_hz: pictures that the camera gives in each second, Hz.
    own_threads: True if each stage has a thread of its own and works beside the
    others, False if one thread does one stage after the other.
    """
    busy_s = stages_s.max() if own_threads else stages_s.sum()
    return float(min(camera_hz, 1 / busy_s))


def _stages(rng, low=0.003, high=0.03):
    """Stage times of which none is as long as all others together, nor twice another."""
    return np.round(rng.uniform(low, high, int(rng.integers(3, 6))), 4)


def _loop(rng):
    stages, own = _stages(rng), bool(rng.integers(2))
    busy = stages.max() if own else stages.sum()
    # A camera well above or well below what the loop can do.
    return stages, round(float(rng.choice([0.6, 2.5]) / busy), 1), own


_PLAIN = np.array([0.010, 0.020, 0.005])

THROUGHPUT = Task(
    reference=throughput,
    lesson=9,
    statement="Write throughput(stages_s, camera_hz, own_threads): how many pictures a loop works on in each second. With own_threads each stage works beside "
    "the others, so the slowest alone decides; else one thread does them all in turn. No loop works on more pictures than the camera gives.",
    unit="Hz",
    fixed=(
        (_PLAIN, 100.0, False),
        (_PLAIN, 100.0, True),
        (_PLAIN, 15.0, False),
        (_PLAIN, 40.0, True),
        (_PLAIN, 40.0, False),
        (_PLAIN, 1000.0, True),
    ),
    draw=_loop,
    edges=((np.array([0.02]), 100.0, False), (np.array([0.02]), 100.0, True), (np.array([0.0, 0.02]), 30.0, True)),
    nudges=(
        "How long is it from one result to the next? Draw two pictures on their way, once for each value of own_threads.",
        "In one thread the next picture begins when the last stage has ended; with threads, as soon as the slowest stage is free again. And the camera may be slower than both.",
        "1 / (sum of the stages), or 1 / (longest stage); of that and camera_hz the smaller.",
    ),
    misconceptions=(
        Misconception(
            "always the sum",
            "You always add up all stages. With threads of their own they work at the same time, each on another picture.",
            lambda stages, hz, own: min(hz, 1 / stages.sum()),
        ),
        Misconception(
            "always the slowest",
            "You always take the slowest stage alone. In one thread the others must be waited for too.",
            lambda stages, hz, own: min(hz, 1 / stages.max()),
        ),
        Misconception(
            "threads exchanged",
            "Sum and slowest have changed places: threads of their own are the faster case.",
            lambda stages, hz, own: throughput(stages, hz, not own),
        ),
        Misconception(
            "camera forgotten",
            "Your loop works on more pictures than the camera gives.",
            lambda stages, hz, own: throughput(stages, 1e9, own),
        ),
        Misconception(
            "camera as a stage in line",
            "You added the camera's frame time to the others. The camera takes its next picture while the loop works.",
            lambda stages, hz, own: 1 / (max(stages.max(), 1 / hz) if own else stages.sum() + 1 / hz),
        ),
        Misconception(
            "mean of the stages",
            "You took the mean of the stages. The average stage decides nothing.",
            lambda stages, hz, own: min(hz, 1 / stages.mean()),
        ),
        Misconception(
            "rates added up",
            "You added the rates of the stages, or took their mean. Times add up, rates do not.",
            lambda stages, hz, own: min(hz, float((1 / np.maximum(stages, 1e-12)).mean())),
            also=(lambda stages, hz, own: min(hz, float((1 / np.maximum(stages, 1e-12)).sum())),),
        ),
        Misconception(
            "as fast as the fastest",
            "You took the fastest stage. The others hold it up.",
            lambda stages, hz, own: min(hz, 1 / max(stages.min(), 1e-12)),
        ),
        Misconception(
            "time for a rate",
            "Your result is the time between two results, s. Asked is how many there are in a second: 1 divided by it.",
            lambda stages, hz, own: 1 / throughput(stages, hz, own),
        ),
        Misconception(
            "milliseconds",
            "Your result is 1000 times off: the stages are in seconds already.",
            lambda stages, hz, own: 1e-3 * throughput(stages, 1e9, own),
            also=(lambda stages, hz, own: min(hz, 1000 * throughput(stages, 1e9, own)),),
        ),
        Misconception(
            "the larger of the two",
            "You took the larger of the camera's rate and the loop's. The slower of the two decides.",
            lambda stages, hz, own: max(hz, throughput(stages, 1e9, own)),
        ),
    ),
)


def latency(stages_s, waiting, own_threads):
    """Age of a picture when its last stage ends, s.

    stages_s: (N,) array, time of each stage for one picture, s.
    waiting: pictures that wait in front of it, in a row, when the camera hands it over.
    own_threads: True if each stage has a thread of its own, False if one thread does
    one stage after the other.  The loop has just taken a picture out of the row, so
    that each in front of it costs one whole turn.
    """
    turn_s = stages_s.max() if own_threads else stages_s.sum()
    return float(stages_s.sum() + waiting * turn_s)


LATENCY = Task(
    reference=latency,
    lesson=9,
    statement="Write latency(stages_s, waiting, own_threads): how old a picture is when its last stage ends, in s. It goes through all stages itself; before that, "
    "waiting pictures are taken in front of it, one each turn of the loop. A turn is the time between two results, as in throughput.",
    unit="s",
    fixed=((_PLAIN, 0, False), (_PLAIN, 0, True), (_PLAIN, 4, False), (_PLAIN, 4, True), (_PLAIN, 1, True)),
    draw=lambda rng: (_stages(rng), int(rng.integers(2, 7)), bool(rng.integers(2))),
    edges=((np.array([0.02]), 3, True), (np.array([0.02]), 3, False)),
    nudges=(
        "Follow one picture with a finger: first it waits, then it is worked on.",
        "Being worked on takes the sum of the stages, with threads or without. Waiting takes one turn for each picture in front.",
        "sum + waiting · turn, where a turn is the longest stage with threads of their own, else the sum.",
    ),
    misconceptions=(
        Misconception(
            "waiting forgotten",
            "You left out the time in the row. A picture that waits gets older as well.",
            lambda stages, n, own: stages.sum(),
        ),
        Misconception(
            "threads shorten it",
            "With threads you took the slowest stage for the whole way. A picture still goes through every stage; threads only let others go beside it.",
            lambda stages, n, own: (n + 1) * (stages.max() if own else stages.sum()),
        ),
        Misconception(
            "a whole way for each",
            "With threads each picture in front costs one turn, the slowest stage, and not its whole way.",
            lambda stages, n, own: (n + 1) * stages.sum(),
        ),
        Misconception(
            "waiting only",
            "You counted the waiting alone. After it the picture's own stages begin.",
            lambda stages, n, own: n * (stages.max() if own else stages.sum()),
        ),
        Misconception(
            "always the slowest in front",
            "In one thread a turn is all stages, not the slowest alone.",
            lambda stages, n, own: stages.sum() + n * stages.max(),
        ),
        Misconception(
            "one off",
            "You counted one picture too few in front. Each of them costs a turn.",
            lambda stages, n, own: latency(stages, n - 1, own),
            also=(lambda stages, n, own: latency(stages, max(n - 1, 0), own),),
        ),
        Misconception(
            "itself in front",
            "You counted the picture itself as one that waits in front.",
            lambda stages, n, own: latency(stages, n + 1, own),
        ),
        Misconception(
            "one over throughput",
            "Your result is 1 / throughput, the time between two results. A result may come every 20 ms and be old all the same.",
            lambda stages, n, own: stages.max() if own else stages.sum(),
        ),
        Misconception(
            "fastest stage in front",
            "A turn is as long as the slowest stage, not as the fastest.",
            lambda stages, n, own: stages.sum() + n * (stages.min() if own else stages.sum()),
        ),
        Misconception(
            "threads exchanged",
            "You took the turn with threads where there are none, and the other way round.",
            lambda stages, n, own: latency(stages, n, not own),
        ),
    ),
)


def frames_in_flight(taken_s, acted_s, duration_s):
    """Mean number of pictures under way at once, counted along a run.

    taken_s: (N,) array, when each picture was taken, s.
    acted_s: (N,) array, when it was acted on, s.  Between the two it is under way.
    duration_s: how long the run lasted, s; all pictures lie within.
    """
    return float((acted_s - taken_s).sum() / duration_s)


def _run(rng):
    count = int(rng.integers(5, 30))
    gap = float(rng.uniform(0.03, 0.2))
    taken = np.round(np.arange(count) * gap + rng.uniform(0, gap / 3, count), 4)
    acted = np.round(taken + rng.uniform(0.5, 4.0) * gap * rng.uniform(0.7, 1.3, count), 4)
    # The run goes on for a while without a picture.
    return taken, acted, round(float(acted.max() + rng.uniform(0.4, 1.5)), 3)


FRAMES_IN_FLIGHT = Task(
    reference=frames_in_flight,
    lesson=9,
    statement="Write frames_in_flight(taken_s, acted_s, duration_s): how many pictures are under way at once, on average over a run of duration_s. Picture i is under way "
    "from taken_s[i] to acted_s[i]. There may be none for a while, or several at once, so the mean is not a whole number.",
    unit="",
    fixed=(
        (np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.5, 1.5, 2.5, 3.5]), 5.0),
        (np.array([0.0, 0.1, 0.2, 0.3]), np.array([0.3, 0.4, 0.5, 0.6]), 1.0),
        (np.array([0.0, 0.1, 0.2, 0.3]), np.array([0.25, 0.3, 0.7, 0.45]), 1.5),
    ),
    draw=_run,
    edges=((np.array([0.0]), np.array([2.0]), 2.0), (np.array([]), np.array([]), 3.0)),
    nudges=(
        "Draw each picture as a bar over time. The mean height of the pile is asked for.",
        "The pile's area is the sum of all bars; its width is the duration of the run.",
        "Sum of (acted - taken), divided by duration_s. It is throughput times mean latency: N / duration_s times the mean of the bars.",
    ),
    misconceptions=(
        Misconception(
            "mean latency",
            "Your result is how long a picture is under way, in seconds. Asked is how many are under way at once.",
            lambda taken, acted, s: (acted - taken).mean() if len(taken) else 0.0,
        ),
        Misconception(
            "throughput",
            "Your result is how many pictures there are in a second. How long each is under way must come in.",
            lambda taken, acted, s: len(taken) / s,
        ),
        Misconception(
            "divided in place of multiplied",
            "You divided throughput by latency. The longer each is under way, the more are under way at once: multiply.",
            lambda taken, acted, s: len(taken) / s / (acted - taken).mean() if len(taken) else 0.0,
        ),
        Misconception(
            "sum not divided",
            "You added up the times of all pictures. Divide by the time in which they were there.",
            lambda taken, acted, s: (acted - taken).sum(),
        ),
        Misconception(
            "most at once",
            "You counted the most that were under way at any moment. Asked is the mean over the run.",
            lambda taken, acted, s: max(
                (float(((taken <= t) & (acted > t)).sum()) for t in [*taken, *acted]), default=0.0
            ),
        ),
        Misconception(
            "all of them",
            "You counted all pictures of the run. They were not all under way at once.",
            lambda taken, acted, s: len(taken),
        ),
        Misconception(
            "up to the last picture",
            "You divided by the time from the first picture to the last. The run lasted duration_s; where none is under way, the count is 0.",
            lambda taken, acted, s: (acted - taken).sum() / (acted.max() - taken.min()) if len(taken) else 0.0,
            also=(
                lambda taken, acted, s: (
                    (acted - taken).sum() / (taken.max() - taken.min()) if len(taken) > 1 else float("nan")
                ),
            ),
        ),
        Misconception(
            "rounded",
            "You rounded. A mean number of pictures need not be whole.",
            lambda taken, acted, s: round(float((acted - taken).sum() / s)),
        ),
        Misconception(
            "back in time",
            "Your count is negative: a picture is taken before it is acted on.",
            lambda taken, acted, s: -frames_in_flight(taken, acted, s),
        ),
        Misconception(
            "counted when one is taken",
            "You counted at the moments at which a picture is taken: then there is always one at least. Between them there may be none.",
            lambda taken, acted, s: (
                float(np.mean([((taken <= t) & (acted > t)).sum() for t in taken])) if len(taken) else 0.0
            ),
        ),
    ),
)

TASKS = (THROUGHPUT, LATENCY, FRAMES_IN_FLIGHT, RUNNING_TIME, CELLS_STATE)
