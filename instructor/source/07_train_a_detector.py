# %% [markdown]
# # Lesson 07: train a detector
#
# **What you will have** at the end: a detector trained by you in two ways, in seconds and in earnest, as one file that runs anywhere; and four small functions of your own that are the whole of the short way.
#
# **You will be able to**
# - say what a feature, a cell, a head and a loss are;
# - prove that a gradient is right, and notice when it is not;
# - tell a learning rate that is too small or too large by its curve;
# - stop before a detector learns its pictures by heart, and say how many more pictures would help;
# - read a convolution forwards and backwards;
# - know time, memory and disk before a training starts.
#
# **Time**: 50 minutes, and ten more where a task holds you up; before part 5 is a good place for a break. **Needs**: lessons 04 (softmax, cells) and 05 (overlap).
#
# **Cautions**: nothing moves here. Training keeps all processor cores busy for a while, so a laptop gets warm: leave its vents free. The greenhouse pictures are rendered; the coins in part 7 are a photograph. Your own pictures stay on this machine.
#
# Two numbers from 0 to 1 say here how good a detector is; lesson 08 takes them apart. **AP50** is 1 when every thing is found, nothing else is reported, and each box overlaps its thing by an IoU of 0.5 or more. **AP** is the mean over ten stricter limits, up to 0.95: it asks for tight boxes. A *point* of either is 0.01.

# %% [markdown]
# ## 1. What the head gets to see
#
# A detector has two parts. The **feature network** comes with the course: it has learned from drawn shapes and from greenhouses in wrong colors, never from an orange post, a blue bucket or a yellow crate. It turns a picture into **cells** of 4 × 4 px and gives 96 numbers for each, its **features**. The **head** reads them. It knows nothing yet; training it is the first half of this lesson.
#
# **Predict.** A picture has 320 × 240 × 3 = 230 400 numbers. How many come out of the feature network: fewer, as many, or more?

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab.detector.cells import FrozenFeatures
from robotlab.detector.common import shipped_weights
from robotlab.follow import default_camera
from robotlab.greenhouse import Scene, Thing, render

camera = default_camera()
things = (
    Thing("post", 1.5, 0.05),
    Thing("bucket", 1.9, 0.62),
    Thing("crate", 2.3, -0.75, heading_rad=0.4),
    Thing("pot", 1.5, -0.36),
)
frame = render(Scene(things, seed=3), camera)
network = FrozenFeatures(shipped_weights())
features = network(frame.picture)
rows, columns, count = features.shape
print(f"{rows} × {columns} cells of {count} features: {features.size} numbers")

# %% [markdown]
# **Why.** Twice as many. A network does not boil a picture down; it says more about fewer places. Each feature is one question, asked at each cell: how much of this edge, that color, that corner is around here? For each thing, here is the feature in which its cells differ most from the rest.

# %% tags=["nbval-ignore-output"]
truths = frame.truths
row_px, column_px = (np.mgrid[:rows, :columns] + 0.5) * 4
inside = [(x0 < column_px) & (column_px < x1) & (y0 < row_px) & (row_px < y1) for x0, y0, x1, y1 in truths.boxes]
elsewhere = ~np.any(inside, axis=0)
usual, spread = features[elsewhere].mean(axis=0), features.std(axis=(0, 1)) + 1e-6
telling = [int(np.argmax((features[mask].mean(axis=0) - usual) / spread)) for mask in inside]

figure, axes = plt.subplots(1, 4, figsize=(11, 2.5), layout="constrained")
axes[0].imshow(frame.picture)
axes[0].set_title("rendered")
for ax, feature, label in zip(axes[1:], telling, truths.labels):
    ax.imshow(features[..., feature], cmap="gray")
    ax.set_title(f"feature {feature}: {truths.classes[label]}")
for ax in axes:
    ax.set_axis_off()

# %% tags=["approximate"]
for mask, feature, label in zip(inside, telling, truths.labels):
    there, other = features[mask, feature].mean(), features[elsewhere, feature].mean()
    print(f"feature {feature:2d}: {there:.2f} in the cells of the {truths.classes[label]}, {other:.2f} elsewhere")

# %% [markdown]
# **Why.** None of them is "the post". The best lights up in other places too, and misses part of its thing. But 96 such hints together, each with its own weight, can be enough: that sum is the head.
#
# What should the head say? At the **middle** of a thing its class, everywhere else "background"; and at the middle four more numbers for the box.
#
# **Predict.** Of the 4800 cells, how many have to say "post"?

# %%
from robotlab.detector.grid import boxes_at, cell_targets

nothing_ignored = np.zeros((0, 4))
asked = cell_targets(truths.boxes, truths.labels, nothing_ignored, camera.height_px, camera.width_px)
for number, name in enumerate(("background", *truths.classes)):
    print(f"{name:<10} {np.sum(asked.classes == number):4d} cells")

row, column = np.argwhere(asked.classes == 1)[0]
dx, dy, log_w, log_h = asked.boxes[:, row, column]
print(f"row {row}, column {column} must say: post, dx {dx:.2f}, dy {dy:.2f}, log w {log_w:.2f}, log h {log_h:.2f}")
box = boxes_at(asked.boxes[:, [row], [column]].T, np.array([row]), np.array([column]))[0]
print(f"back to px: {box.round(1).tolist()}, the true box: {truths.boxes[0].round(1).tolist()}")

# %% [markdown]
# **Why.** A handful of 4800. (Two where the middle lies between two cells.) A head that says "background" everywhere is right in 99.9 % of the cells and finds nothing: counting right answers is a useless measure here. `dx, dy` go from the cell's middle to the box's, and w and h come as logarithms, all measured in cells, so that near and far things ask for numbers of about the same size.

# %% [markdown]
# ## 2. The price of being wrong
#
# Training makes a number small, the **loss**. For the classes it is the **cross-entropy**: each cell pays minus the logarithm of the share that it gives to the truth.
#
# **Predict.** A head that knows nothing gives each of four classes 0.25. What does it pay? And one that is sure, with 0.01 left for the truth: twice as much, three times, a hundred times?

# %%
for share in (0.99, 0.5, 0.25, 0.01, 0.0001):
    print(f"share {share:6.4f} for the truth: pays {-np.log(share):5.2f}")

# %% [markdown]
# **Why.** Knowing nothing costs log 4 = 1.39, and being right and sure next to nothing. Sure and wrong costs 4.6, and there is no ceiling: each further factor of 100 adds 4.6. The loss is what makes a head honest about doubt.
#
# **Task 1.** Write `cross_entropy`. Stuck? Run `nudge(cross_entropy)` in a new cell.

# %% tags=["starter"]
def cross_entropy(scores, classes):
    """Mean over the cells of minus the logarithm of the share that softmax gives the true class: one number.

    scores: (N, K) array of float; a row for each cell, a column for each class.
    classes: (N,) array of int, the true class of each cell.
    """
    ...


# %% tags=["worked"]
def cross_entropy(scores, classes):
    """Mean over the cells of minus the logarithm of the share that softmax gives the true class: one number.

    scores: (N, K) array of float; a row for each cell, a column for each class.
    classes: (N,) array of int, the true class of each cell.
    """
    shifted = scores - scores.max(axis=1)[:, None]
    log_sums = np.log(np.exp(shifted).sum(axis=1))
    return np.mean(log_sums - shifted[np.arange(len(scores)), classes])


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(cross_entropy)

# %% [markdown]
# To learn, a weight must know which way is down. The slope of the loss with respect to a weight says by how much the loss grows when the weight grows a little; all slopes together are the **gradient**. For this loss it is as simple as can be: a cell's loss changes with the score of a class by *what the cell says minus what is true*: its share of that class, minus 1 for the true class and minus 0 for the others. And a score is a sum of weights times features, so each weight's slope is the slope of its score times its own feature, averaged over the cells.
#
# **Task 2.** Write `head_gradient`.

# %% tags=["starter"]
def head_gradient(x, shares, classes):
    """Gradient of the mean cross-entropy with respect to the weights: (F, K), as the weights have it.

    x: (N, F) array, the features of N cells; their scores are x @ weights.
    shares: (N, K) array, the softmax of the scores.
    classes: (N,) array of int, the true class of each cell.
    """
    ...


# %% tags=["worked"]
def head_gradient(x, shares, classes):
    """Gradient of the mean cross-entropy with respect to the weights: (F, K), as the weights have it.

    x: (N, F) array, the features of N cells; their scores are x @ weights.
    shares: (N, K) array, the softmax of the scores.
    classes: (N,) array of int, the true class of each cell.
    """
    error = shares.copy()
    error[np.arange(len(x)), classes] -= 1
    return x.T @ error / len(x)


# %% tags=["verify"]
verify(head_gradient)

# %% [markdown]
# ### Trust nobody: check it
#
# A wrong gradient does not crash. It learns a little worse, and you look for weeks in the wrong place. So whoever writes one measures it: move one weight up by a hair, down by a hair, and divide the change of the loss by the way. This is the library's own checker:

# %%
from robotlab.course import source_of
from robotlab.detector.engine.check import gradient_error

print(source_of(gradient_error))

# %% [markdown]
# Now with real cells: the middles of all things on 24 labeled pictures, and 120 background cells of each picture. The library's loss gives its own gradient, with respect to the *scores*; one matrix product more carries it to the weights.

# %%
from robotlab.course import shipped
from robotlab.dataset import open_dataset
from robotlab.detector.cells import Cells, cells_of
from robotlab.detector.engine.losses import focal_loss
from robotlab.detector.fewshot import nested_parts
from robotlab.detector.samples import SampleSource

data = open_dataset(shipped("datasets/greenhouse"))
learned = data.only(recordings=("day1", "overcast1", "dusk1"))
apart = data.only(recordings=("day4", "overcast3", "dusk3"))


def cells_from(pictures):
    """Features (N, 96) and classes (N,): middles of things, and background drawn at random."""
    rng = np.random.default_rng(0)
    samples = enumerate(SampleSource(pictures))
    cells = Cells.joined([cells_of(network(one.picture), one, number, rng, None) for number, one in samples])
    # A middle has the full weight, background none; cells beside a middle are left out.
    clear = (cells.box_weights > 0.999) | (cells.box_weights == 0)
    return cells.features[clear].astype(float), cells.classes[clear]


raw, classes = cells_from(nested_parts(learned, [24])[0])
raw_apart, classes_apart = cells_from(nested_parts(apart, [30])[0])


def standard(features, like):
    """Features with mean 0 and spread 1 (of the cells `like`), and a column of ones for the bias."""
    return np.column_stack([(features - like.mean(axis=0)) / (like.std(axis=0) + 1e-6), np.ones(len(features))])


def loss_and_gradient(x, classes, weights):
    """Mean cross-entropy, and its gradient with respect to the weights."""
    scores = (x @ weights).T[None, :, :, None]  # The library's order: pictures, classes, rows, columns.
    loss, by_scores = focal_loss(scores, classes[None, :, None], np.full((1, len(x), 1), 1 / len(x)), focus=0)
    return loss, x.T @ by_scores[0, :, :, 0].T


x = standard(raw, raw)
print(f"{len(x)} cells to learn from, {x.shape[1]} numbers each")
print("background, post, bucket, crate:", np.bincount(classes).tolist())

# %%
rng = np.random.default_rng(7)
weights = rng.normal(0, 0.1, (97, 4))
flat = weights.ravel()  # The same numbers in one row: moving one moves the weights.
_, gradient = loss_and_gradient(x, classes, weights)


def loss_now():
    return loss_and_gradient(x, classes, weights)[0]


for words, claimed in (("as it is", gradient), ("one hundredth too large", 1.01 * gradient), ("turned round", -gradient)):
    error = gradient_error(loss_now, flat, claimed.ravel(), np.random.default_rng(0))
    print(f"{words:<24} error {error:.3f}", "(below one millionth)" if error < 1e-6 else "")

# %% [markdown]
# **Why.** The measured slope agrees to a millionth, or something is wrong. A mistake of one part in a hundred shows as 0.010.
#
# **Try.** Check *your* gradient: in a new cell, `shares = np.exp(x @ weights); shares /= shares.sum(axis=1, keepdims=True)`, then `gradient_error(loss_now, flat, head_gradient(x, shares, classes).ravel(), rng)`. Then break it on purpose, and see whether the check notices.

# %% [markdown]
# ## 3. How fast to walk downhill
#
# A step takes 16 cells drawn at random, works out the gradient, and moves all weights against it, times the **learning rate**. Sixteen cells are a rough guess of all 3000, so each step is a little wrong, and quick.
#
# **Predict.** 300 steps, at rates of 0.001, 0.1 and 100. A head that knows nothing pays 1.39. Which ends where: near 0, near 1.39, above it?

# %%
def descend(rate_of, steps=300):
    """Loss over all cells after each step, from weights of 0."""
    rng = np.random.default_rng(0)
    weights, losses = np.zeros((x.shape[1], 4)), []
    for step in range(steps):
        some = rng.choice(len(x), 16)
        _, gradient = loss_and_gradient(x[some], classes[some], weights)
        weights -= rate_of(step) * gradient
        losses.append(loss_and_gradient(x, classes, weights)[0])
    return losses


paths = {f"rate {rate:g}": descend(lambda step, rate=rate: rate) for rate in (0.001, 0.1, 100)}
for name, losses in paths.items():
    print(f"{name:<10} ends {'below' if losses[-1] < np.log(4) else 'above'} log 4")

# %% tags=["approximate"]
def report(name, losses):
    middle = f"after 10 steps {losses[9]:6.3f}, 100 {losses[99]:6.3f}, 300 {losses[299]:6.3f}"
    print(f"{name:<18} {middle}; worst of the last 100 {max(losses[200:]):6.3f}")


for name, losses in paths.items():
    report(name, losses)

# %% [markdown]
# **Why.** Too small a rate is on the way and nowhere near after 300 steps. Too large a one jumps across the valley and lands higher on the other side, again and again, and pays more than one that knows nothing. In between it goes well, until the roughness of the guesses keeps it from settling.
#
# So a rate should be large first and small at the end. The usual shape today is **one cycle**: a careful start, up to a peak in the first quarter, then slowly down to almost nothing. Each part goes from its first rate a to its last rate b along half a cosine, which leaves and arrives gently: a + (b − a) · (1 − cos(π · t)) / 2, where t goes from 0 to 1 within that part. How much of the way is done after `step` of `steps`, counted from 0, is step / (steps − 1).
#
# **Task 3.** Write `cycle_rate`.

# %% tags=["starter"]
def cycle_rate(step, steps, peak):
    """Learning rate of one step: from peak / 25 up to peak in the first quarter of the way, then down to peak / 1000.

    step: from 0 to steps - 1.  steps: how many there are, 9 or more.  peak: the highest rate.
    """
    ...


# %% tags=["worked"]
def cycle_rate(step, steps, peak):
    """Learning rate of one step: from peak / 25 up to peak in the first quarter of the way, then down to peak / 1000.

    step: from 0 to steps - 1.  steps: how many there are, 9 or more.  peak: the highest rate.
    """
    way = step / (steps - 1)
    start, end, t = (peak / 25, peak, way / 0.25) if way < 0.25 else (peak, peak / 1000, (way - 0.25) / 0.75)
    return start + (end - start) * (1 - np.cos(np.pi * t)) / 2


# %% tags=["verify"]
verify(cycle_rate)

# %% [markdown]
# **Predict.** A constant rate of 1 jumps about. One cycle with a peak of 1 has the same highest rate. Where does it end?

# %% tags=["approximate"]
from robotlab.detector.engine.optim import one_cycle

paths["rate 1"] = descend(lambda step: 1.0)
paths["one cycle, peak 1"] = descend(lambda step: one_cycle(step, 300, 1.0))
for name in ("rate 1", "one cycle, peak 1"):
    report(name, paths[name])

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(8, 3.4), layout="constrained")
styles = (("#0072b2", ":"), ("#009e73", "-."), ("#d55e00", "-"), ("#cc79a7", "--"), ("black", "-"))
for (name, losses), (color, dashes) in zip(paths.items(), styles):
    ax.plot(range(1, 301), losses, dashes, color=color, linewidth=1.5, label=name)
ax.axhline(np.log(4), color="gray", linewidth=1)
_ = ax.text(302, np.log(4) * 1.1, "knows nothing", va="bottom")
_ = ax.set(yscale="log", xlabel="step", ylabel="loss of all cells", xlim=(0, 365))
_ = ax.legend(frameon=False, fontsize=9, ncols=3, loc="upper right")

# %% [markdown]
# **Why.** The peak does the walking, the long fall does the settling. The rate is the first thing to look at when a training goes wrong: a curve that hardly falls asks for more, one that jumps or turns to NaN asks for less.

# %% [markdown]
# ## 4. Learned by heart
#
# Fewer pictures, more steps: three pictures, 3000 steps on all their cells. Beside the loss of these cells we watch that of cells from other recordings, which are never learned from: **held out**.
#
# **Predict.** The loss of the learned cells falls all the way. What does the held-out loss do?

# %%
raw_three, classes_three = cells_from(nested_parts(learned, [3])[0])
few, held = standard(raw_three, raw_three), standard(raw_apart, raw_three)
weights, course = np.zeros((97, 4)), []
for step in range(3001):
    loss, gradient = loss_and_gradient(few, classes_three, weights)
    if step % 20 == 0:
        course.append((step, loss, loss_and_gradient(held, classes_apart, weights)[0]))
    weights -= 0.5 * gradient
steps, learned_loss, held_loss = np.array(course).T
best = held_loss.argmin()
print("the learned loss falls all the way:", bool((np.diff(learned_loss) < 0).all()))
print("the held-out loss is lowest at the end:", bool(best == len(steps) - 1))

# %% tags=["approximate"]
for place in (0, 1, best, -1):
    print(f"step {steps[place]:4.0f}: learned {learned_loss[place]:.4f}, held out {held_loss[place]:.4f}")

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(7, 3), layout="constrained")
ax.plot(steps + 1, held_loss, "--", color="#d55e00", label="held out")
ax.plot(steps + 1, learned_loss, "-", color="#0072b2", label="learned")
ax.plot(steps[best] + 1, held_loss[best], "o", color="#d55e00")
_ = ax.text(steps[best] + 1, 1.3 * held_loss[best], "stop here", ha="center")
_ = ax.set(xscale="log", yscale="log", xlabel="step + 1", ylabel="loss")
_ = ax.legend(frameon=False)

# %% [markdown]
# **Why.** From the marked step on, there is nothing left to learn that holds for other pictures. After it the head learns what is special about these three: it becomes surer and surer, also where it is wrong. This is **overfitting**, and the learned loss alone never shows it. So keep some recordings out, look at them from time to time, and keep the weights that were best there: **early stopping**. Whole recordings, mind: two pictures of one drive are nearly the same picture, and a held-out twin shows nothing.

# %% [markdown]
# ## 5. The box, and the head as a whole
#
# For the four numbers of the box the loss is the squared error, and the weights with the smallest squared error can be worked out at once: no steps, no rate. One thing is added, a **penalty** on large weights. With many features that say nearly the same, plain least squares plays them off against each other, +1000 of one and −999 of the other; the penalty makes them share. This is **ridge regression**.
#
# **Task 4.** Write `ridge`.

# %% tags=["starter"]
def ridge(x, y, penalty):
    """Weights w (F,) with the smallest sum of (x @ w - y)² plus penalty times the sum of w².

    x: (N, F) array, a row of features for each cell.  y: (N,) array, what to predict.  penalty: above 0.
    """
    ...


# %% tags=["worked"]
def ridge(x, y, penalty):
    """Weights w (F,) with the smallest sum of (x @ w - y)² plus penalty times the sum of w².

    x: (N, F) array, a row of features for each cell.  y: (N,) array, what to predict.  penalty: above 0.
    """
    return np.linalg.inv(x.T @ x + penalty * np.identity(x.shape[1])) @ x.T @ y


# %% tags=["verify"]
verify(ridge)

# %% [markdown]
# That is all there is to the short way, the **head fit**: cross-entropy for the class, ridge for the box, on features that stay as they are. `fit` does both; it looks at each picture four times, mirrored and under other light, lets the cells beside a middle count as the thing too, though less, and adds the background that fooled its first tries. Its loss has one lowest point, so the same pictures give the same head.
#
# **Predict.** 45 labeled pictures of three recordings. How long does it take: seconds, minutes, an hour? And how close to 1 does AP50 get on three *other* recordings?

# %% tags=["nbval-ignore-output"]
from robotlab.detector import fit

parts = dict(zip((5, 15, 45), nested_parts(learned, (5, 15, 45))))
detectors = {45: fit(parts[45])}

# %%
from robotlab.detector.held_out import figures, find_all

test = nested_parts(apart, (45,))[0]
results = {45: figures(test, find_all(detectors[45], test))}
print("more than two thirds of a perfect AP50:", results[45]["AP50"] > 0.67)

# %% tags=["approximate"]
print(f"{len(test)} pictures kept apart: AP50 {results[45]['AP50']:.2f}, AP {results[45]['AP']:.2f}")
print(f"learned numbers: {97 * 8}, that is 97 for each of 4 classes and 4 box numbers")

# %% [markdown]
# **Why.** 776 numbers, in seconds, on a plain processor. The features had done most of the work before you came.
#
# ### How many pictures?
#
# Labeling is the expensive part. So before you label 500 pictures, draw the **learning curve** with what you have.
#
# **Predict.** From 5 to 15 pictures, and from 15 to 45: each time three times the work. What does each buy?

# %% tags=["approximate"]
for number in (5, 15):
    detectors[number] = fit(parts[number], progress=False)
    results[number] = figures(test, find_all(detectors[number], test))
for number in sorted(results):
    one = results[number]
    print(f"{number:3d} pictures, {parts[number].box_count:3d} things: AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(5.5, 3), layout="constrained")
numbers = sorted(results)
for name, color, line in (("AP50", "#d55e00", "-o"), ("AP", "#009e73", "--s")):
    ax.plot(numbers, [results[number][name] for number in numbers], line, color=color, label=name)
_ = ax.set(xscale="log", xticks=numbers, xticklabels=numbers, ylim=(0, 1), xlabel="labeled pictures", ylabel="on pictures kept apart")
ax.minorticks_off()
_ = ax.legend(frameon=False)

# %% [markdown]
# **Why.** As a rule each tripling buys less than the one before. Where the curve is flat, more pictures *of the same kind* are wasted work; a new lamp, a new place or what fools it is worth more. And where the last step still bought a lot, label on.

# %% [markdown]
# ## 6. All layers: a convolution, forwards and backwards
#
# If the features do not suit your pictures, the head can do little. Then the layers below must learn too. Nearly all their work is one operation, the **convolution**: lay a small table of weights, the **kernel**, over the picture, multiply it with the pixels under it, add up, write down one number; move on. A layer has many kernels; each reads all that the layer below gave and writes a picture of its own, a *channel*. (Between two layers, negative numbers become 0, which is called ReLU; without it, many convolutions in a row could do no more than one.)
#
# Here it is, as the library's clear version has it. `_padded` puts a rim of zeros around the picture, and `_under` says where the pixels under the kernel lie.

# %%
from robotlab.detector.engine import clear

print(source_of(clear.convolve_clear))

# %% [markdown]
# Backwards, `gradient` says for each *output* by how much the loss would change with it. Each output was a sum of products, a weight times a pixel. So its slope goes back to each weight, times the pixel, and to each pixel, times the weight.
#
# **Predict.** Read the next cell before you run it. In which line does the kernel learn, and in which does the layer below get its own gradient?

# %%
print(source_of(clear.convolve_back_clear))

# %% [markdown]
# That is all of what is called backpropagation: each layer takes the slope of what it gave, keeps the slope of its weights, and hands on the slope of what it got. The training engine does the same as matrix products, hundreds of times as fast, and a test proves that both give the same numbers. (To read on: `robotlab/detector/engine`, `clear.py` first, then `layers.py`, `network.py` and `optim.py`.)
#
# **Predict.** A layer of one 3 × 3 kernel, with random weights, sees a gray picture, and at each place is told what *another* kernel, a finder of upright edges, would have said. Will it find out that kernel's nine numbers from examples alone?

# %%
from robotlab.detector.engine.layers import Scratch, convolve, convolve_back
from robotlab.detector.engine.optim import AdamW
from robotlab.detector.spec import Layer

layer = Layer("edges", "conv", ("picture",), 1)
rng = np.random.default_rng(1)
gray = (frame.picture.mean(axis=2)[None, 60:180, 60:260] - 100) / 50
wanted = np.array([[[[-1, 0, 1], [-2, 0, 2], [-1, 0, 1]]]], float)
target = clear.convolve_clear(gray, wanted, layer)
kernel = rng.normal(0, 0.5, wanted.shape)
kernel_gradient, said, scratch = np.zeros_like(kernel), np.zeros_like(target), Scratch(np.float64)


def squared_error():
    convolve(gray, kernel, layer, said, scratch)
    return np.mean((said - target) ** 2)


def slopes():
    """Fills kernel_gradient, gives the loss."""
    loss = squared_error()
    convolve_back(gray, kernel, layer, 2 * (said - target) / target.size, kernel_gradient, None, scratch)
    return loss


slopes()
error = gradient_error(squared_error, kernel.ravel(), kernel_gradient.ravel().copy(), rng)
print("gradient checked:", error < 1e-6)
step = AdamW(kernel.ravel(), decay=0.0, decayed=np.zeros(9, bool))
losses = []
for number in range(1000):
    losses.append(slopes())
    step(kernel_gradient.ravel(), one_cycle(number, 1000, 0.3))
print("loss after 0, 300, 1000 steps:", ", ".join(f"{losses[n]:.4f}" for n in (0, 300, 999)))
print("the kernel it found:")
print(np.array2string(kernel[0, 0].round(1) + 0.0, formatter={"float": lambda v: f"{v:5.1f}"}))

# %% [markdown]
# **Why.** It found the nine numbers, and nobody told it what an edge is. `AdamW` is plain descent with two habits: it averages the last gradients, and it takes steps of about one size in each weight, however steep its slope. A whole network is many of these in a row, with nearly half a million weights, each learning from the slope that the layer above hands down.

# %% [markdown]
# ## 7. Full training
#
# First what it will cost. On a small machine this is not a detail: a training that stops after an hour because the disk is full has cost an hour.
#
# **Predict.** A step looks at a *batch*, here eleven pieces of 160 × 160 px. What needs most memory: the weights, or what the layers must remember between forwards and backwards?

# %%
from robotlab.detector.engine.network import parameter_count
from robotlab.detector.graph import head_layers
from robotlab.detector.plan import activation_count, check_disk, disk_bytes, memory_bytes
from robotlab.detector.spec import FEATURES
from robotlab.errors import InputError

layers = FEATURES + head_layers(1)
print(f"weights           {4 * parameter_count(layers) / 1e6:6.1f} MB")
print(f"remembered        {4 * 11 * activation_count(layers, 160, 160) / 1e6:6.1f} MB")
in_all = memory_bytes(layers, 11, 160, 160, cache_bytes=2_000_000, torch=False)
print(f"memory in all     {in_all / 1e6:6.0f} MB, Python and its libraries included")
alone, with_state = (disk_bytes(layers, keeps_state) / 1e6 for keeps_state in (False, True))
print(f"disk              {alone:6.1f} MB, or {with_state:.1f} MB when it can be resumed")
try:
    check_disk(".", 10**15)
except InputError as error:
    print("a disk too small:", str(error).split(" at ")[0], "...")

# %% [markdown]
# **Why.** Backwards needs what forwards saw: each layer's output waits in memory until its turn comes. That is why training takes so much more than finding, and why it works on small pieces of pictures, a few at a time.
#
# Now for real, on a photograph: old coins on a dark ground. The left half is learned from, the right half is held out. Training starts with a head fit on the shipped features. Then all layers learn: about 65 steps, some twenty seconds. The picture below shows a piece of the *right* half, and it is drawn while the training runs.
#
# **Predict.** The start is a good head. After the first third of the steps, at the highest rates, will the held-out AP be above the start or below?

# %% tags=["explore"]
from robotlab.widgets import TrainingMonitor

coins = open_dataset(shipped("datasets/coins"))
shown = next(entry for entry in coins.pictures if entry.path.name == "right_x201_y100.png")
alt = "A gray photograph of coins with a detector's boxes; beside it loss and held-out figures of a training."
monitor = TrainingMonitor.of(coins, shown, alt=alt)
monitor

# %% tags=["nbval-ignore-output"]
coin_finder = fit(coins, stage="full", engine="numpy", hold_out="right", epochs=30, watch=monitor.watch)

# %% tags=["still"] picture="training" alt="Left, a photograph of coins with a box and a score around each, nearly on the dashed true boxes. Right, two curves over the steps: the loss falls steeply, then flatter; on held-out pictures AP50 stays near 1, and AP starts at about 0.8, dips, and ends higher than it began."
figure = monitor.draw()
figure

# %% [markdown]
# *Above, as a still for those who have not run the cells.*

# %% tags=["approximate"]
curve = coin_finder.facts["curve"]
print("after step  " + " ".join(f"{step:4d}" for step in curve["judged_steps"]))
for name in ("judged_AP50", "judged_AP"):
    print(f"{name[7:]:<12}" + " ".join(f"{value:4.2f}" for value in curve[name]))
kept = int(np.argmax(np.add(curve["judged_AP"], curve["judged_AP50"])))
print(f"kept: the weights of step {curve['judged_steps'][kept]}")

# %% [markdown]
# **Try.** Move the slider, or press Play. Watch the boxes at the rim of the picture. When do they get tight?
#
# **Why.** The high rates first spoil what was there: the held-out AP dips, while the loss already falls. Then the rate comes down, and the boxes end tighter than those of the head fit. What is kept is the best stage, not the last. One caution: the right half chose that stage, so its figure is a little rosy. For a figure to publish, keep a third part that chooses nothing.
#
# ### The real thing
#
# Twenty seconds are a demonstration. Here is the course's measured training on the greenhouse: 174 pictures, another recording held out, about three minutes on two processor cores. It is replayed from its log.

# %% tags=["explore"]
from robotlab.course import measured

record = measured("full_training")
long_shown = next(entry for entry in data.pictures if entry.path.name == record["shown"])
alt = "A rendered greenhouse at dusk with a detector's boxes; beside it loss and held-out figures of a training."
long = TrainingMonitor.of(data, long_shown, alt=alt, log=record["log"])
long

# %% tags=["still"] picture="full_training" alt="Left, a rendered greenhouse at dusk with boxes around a far post, a bucket and crates. Right, over about a thousand steps, the loss falls to less than a third; AP50 and AP on the held-out recording start high and change little."
figure = long.draw()
figure

# %%
stages = record["log"]["stages"]
kept = max(stages, key=lambda stage: stage["AP"] + stage["AP50"])
print(f"{record['pictures']} pictures, {record['steps']} steps")
for words, one in (
    ("held-out recording, at the start", stages[0]),
    (f"held-out recording, step {kept['step']}, kept", kept),
    ("three others kept apart, head fit", record["judged"]["head"]),
    ("three others kept apart, all layers", record["judged"]["full"]),
):
    print(f"{words:<36} AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")

# %% [markdown]
# And what are the shipped features worth? The training on coins can start from random weights just as well: `fit(..., start="scratch")`. It was measured, too.
#
# **Predict.** As many steps as before, from nothing: how close does it come?

# %%
for start, one in record["coins"].items():
    print(f"coins, {one['steps']} steps from {start:<8} AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")

# %% [markdown]
# **Why.** From nothing, the same steps must first find out what an edge is. With many more pictures and minutes it would get there; the shipped weights have been there.
#
# Now compare the two trainings. On the coins, which look like nothing the shipped features have seen, teaching all layers tightened the boxes. On the greenhouse, for which the features were made, three minutes buy a few points over a head fit of seconds. So start with the head fit, judge it, and train in full when pictures are *real* or unlike the course's. PyTorch, where it happens to be installed, is taken by itself; it makes training about twice as fast, not better.

# %% [markdown]
# ## 8. Stopped, resumed, saved
#
# Training takes minutes, and minutes are long enough for second thoughts. Ctrl-C in a terminal, or the stop button (■) above a notebook, ends it, and you get the best weights so far. With a state file it can go on later. Here we press the button from within, after a few steps.

# %%
import tempfile
from pathlib import Path

room = tempfile.TemporaryDirectory()  # Removed when the notebook is shut down.
folder = Path(room.name)


def enough(course, detector):
    """What pressing the stop button after four steps does."""
    if course.steps and course.steps[-1] >= 4:
        raise KeyboardInterrupt


options = {"stage": "full", "engine": "numpy", "hold_out": "right", "epochs": 4, "progress": False}
options["state_path"] = folder / "state.npz"
stopped = fit(coins, **options, watch=enough)
print(f"stopped after {stopped.facts['steps']} steps; interrupted: {stopped.facts.get('interrupted', False)}")
print("a state file is there:", options["state_path"].exists())
resumed = fit(coins, **options)
print(f"resumed; {resumed.facts['steps']} steps in all; interrupted: {resumed.facts.get('interrupted', False)}")
print("a state file is there:", options["state_path"].exists())

# %% [markdown]
# Either training ends in one file. **Predict.** What must be in it, so that a robot can use it in a year, without you and without this course?

# %% tags=["approximate"]
import onnx

from robotlab.detector import Detector

path = coin_finder.save(folder / "coins.onnx")
model = onnx.load(path)
names = [[one.name for one in side] for side in (model.graph.input, model.graph.output)]
print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB, inputs {names[0]}, outputs {names[1]}")
for entry in model.metadata_props:
    print(f"  {entry.key}: {entry.value if len(entry.value) < 90 else entry.value[:60] + ' ...'}")
again = Detector.load(path)
few_coins = [coins.load(one) for one in coins.pictures[:5]]
same = all(np.array_equal(again.find(one).boxes, coin_finder.find(one).boxes) for one in few_coins)
print("loaded again, it finds the same:", same)

# %% [markdown]
# **Why.** ONNX is an open format that many programs run, on processors from a telephone's to a server's. The layers alone would not do: whoever uses the file needs the class names, how a picture must be prepared, and at which score to believe a box (`facts["best_score"]`, chosen on the held-out recording). All that stands in the file's metadata. Suppression (lesson 05) is not in the file: it comes after, and `find` does it.

# %% [markdown]
# ## On your own pictures
#
# Label 25 to 50 pictures (lesson 06) from at least three recordings: three days, places or lamps. Then, in a terminal, in the folder you cloned:
#
# ```
# .venv/bin/robotlab checkup MY_FOLDER
# .venv/bin/robotlab fit MY_FOLDER --hold-out LAST_RECORDING -o mine.onnx
# .venv/bin/robotlab fit MY_FOLDER --hold-out LAST_RECORDING --stage full --resume state.npz -o mine_full.onnx
# ```
#
# (Windows: `.venv\Scripts\robotlab`.) The first fit takes seconds, the second says beforehand how long it will take. Or here: put the folder's name between the quotes. The learning curve tells whether to label on.

# %% tags=["nbval-ignore-output"]
my_folder = ""

if my_folder:
    mine = open_dataset(my_folder)
    *mine_learned, mine_apart = mine.recordings
    kept_apart = mine.only(recordings=mine_apart)
    for part in nested_parts(mine.only(recordings=mine_learned), (10, 25, 50, 100)):
        found = figures(kept_apart, find_all(fit(part, progress=False), kept_apart))
        print(f"{len(part):3d} pictures: AP50 {found['AP50']:.2f}, AP {found['AP']:.2f} on recording {mine_apart}")
else:
    print("no folder yet: put its name between the quotes")

# %% [markdown]
# ### What not to conclude
#
# - "It has AP 0.9 on its own pictures." Then it has learned them. Only recordings kept apart count.
# - "Full training got one point (0.01) of AP50 more, so it finds more." Perhaps. Some dozen pictures of a few recordings, one seed: lesson 08 says whether a point is anything.
# - "It found all coins, so it will find coins." One photograph, one ground, one light.
# - "The loss is down to 0.3, that is good." A loss means something beside another loss of the same kind on the same pictures, no more.
# - "More steps cannot harm." Part 4.
#
# ## What to remember
#
# - Features are 96 questions asked at each cell; the head is a weighted sum of the answers.
# - The loss is minus the logarithm of the truth's share. Its gradient is what is said minus what is true, times the feature.
# - Check a gradient by moving a weight. Look at the learning rate first.
# - The learned loss never shows overfitting. Held-out recordings do, and they choose when to stop.
# - Head fit first: seconds, one best answer. All layers when the pictures are real or strange: minutes.
# - Know time, memory and disk before you start.
#
# ## Sources
#
# - Cross-entropy and its gradient: C. M. Bishop, *Pattern Recognition and Machine Learning*, 2006, section 4.3.4.
# - Ridge: A. E. Hoerl, R. W. Kennard, *Ridge Regression*, Technometrics 12:55-67, 1970.
# - Backpropagation: D. E. Rumelhart, G. E. Hinton, R. J. Williams, *Learning representations by back-propagating errors*, Nature 323:533-536, 1986.
# - One cycle: L. N. Smith, N. Topin, *Super-Convergence*, arXiv:1708.07120. AdamW: I. Loshchilov, F. Hutter, ICLR 2019, arXiv:1711.05101.
# - Cells and the middles of things: X. Zhou, D. Wang, P. Krähenbühl, *Objects as Points*, arXiv:1904.07850 (cited from memory).
# - The upright-edge kernel: I. Sobel, 1968, unpublished; described in R. O. Duda, P. E. Hart, *Pattern Classification and Scene Analysis*, 1973 (from memory).
# - The coins: a photograph that comes with scikit-image, from the Brooklyn Museum's collection.
