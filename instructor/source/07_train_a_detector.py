# %% [markdown]
# # Lesson 07: train a detector
#
# **What you will have** at the end: a detector that you have trained in two ways, in seconds with its lower layers fixed and in minutes with nearly all of them, saved as one file; and four small functions of your own that make up the whole of the first way.
#
# **You will be able to**
# - say what a feature map, a backbone, a head and a loss are;
# - prove that a gradient is correct, and notice when it is not;
# - recognize a learning rate that is too small or too large by its loss curve;
# - recognize overfitting, stop before it, and say how many more pictures would help;
# - read a convolution forward and backward;
# - know time, memory and disk space before a training starts.
#
# **Time**: two sittings of about 65 minutes each, tasks included. Stop after part 5. **Needs**: lessons 04 (softmax, cells) and 05 (bounding boxes, IoU).
#
# **Cautions**: nothing moves here. Training keeps all processor cores busy for a while, so a laptop gets warm: leave its vents free. The greenhouse pictures are rendered; the coins in part 8 are a photograph. Your own pictures stay on this machine.
#
# Two numbers from 0 to 1 say here how good a detector is; lesson 08 explains them. **AP50** is 1 when every labeled object is found, nothing else is reported, and each box overlaps its object by an IoU of 0.5 or more. **AP** is the mean over ten IoU thresholds, from 0.50 to 0.95: it asks for tight boxes. A *point* of either is 0.01.

# %% [markdown]
# ## 1. Backbone and head
#
# A detector here is a **neural network**: many simple steps in a row, called layers, whose weights are learned from examples. It has two parts. The large lower part turns a picture into a grid of **cells** and describes each by 96 numbers, its **features**; it is called the **backbone**. The small upper part reads a cell's features and says what is there and where; it is the **head**.
#
# The backbone comes with the course. Its weights were learned beforehand from drawn shapes and from greenhouses in wrong colors, never from an orange post, a blue bucket or a yellow crate: this is **pre-training**. The head knows nothing yet. In the first half of this lesson only the head learns, on a **frozen backbone**; what the backbone learned on one task is reused for another, which is **transfer learning**. In part 8 the layers of the backbone learn on, all but the first: **fine-tuning**.

# %% tags=["still"] picture="parts" alt="From left to right: a picture of 320 by 240 by 3 numbers; the backbone, three layers that get smaller; the feature map, a grid of cells with 96 numbers each; the head; and what each cell says: a class, dx, dy, log w and log h. A dotted line ties one cell to its place in the picture, 4 px wide."
import matplotlib.pyplot as plt

from robotlab.course import plot_backbone_and_head

figure, ax = plt.subplots(figsize=(6.4, 2.8), layout="constrained")
plot_backbone_and_head(ax)
plt.show()

# %% [markdown]
# The output of a layer for a whole picture, one grid of numbers for each feature, is a **feature map**. From one cell to the next the backbone moves on by 4 px of the picture: its **stride** is 4. What a cell knows about comes from a larger area around it, its **receptive field**; for the backbone's deepest layers it is 255 px wide.
#
# **Predict.** A picture has 320 × 240 × 3 = 230 400 numbers. How many numbers does its feature map have: fewer, as many, or more?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess(
    "07.features",
    "The feature map has how many numbers, against the picture?",
    choices=("a sixteenth", "half as many", "as many", "twice as many"),
)

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab.greenhouse import Scene, Thing, render
from robotlab.loop import default_camera
from robotlab.neural import FrozenBackbone, pretrained_weights

camera = default_camera()
things = (
    Thing("post", 1.5, 0.05),
    Thing("bucket", 1.9, 0.62),
    Thing("crate", 2.3, -0.75, heading_rad=0.4),
    Thing("pot", 1.5, -0.36),
)
frame = render(Scene(things, seed=3), camera)
network = FrozenBackbone(pretrained_weights())
features = network(frame.picture)
rows, columns, count = features.shape
print(f"{rows} × {columns} cells, {count} features each: {features.size} numbers")
compare_guess("07.features", f"{features.size / frame.picture.size:g} times as many")

# %% [markdown]
# **Why.** Twice as many: a sixteenth of the places, and 32 times as many numbers at each. (A detector that has to find small objects keeps a small stride. Networks that only name what a picture shows go on to strides of 32 and end with far fewer numbers.) Each feature answers one question at each cell: how much of this edge, that color, that corner is around here? For each object, the next figure shows the feature in which its cells differ most from the rest.

# %% tags=["folded", "nbval-ignore-output"]
truths = frame.truths
row_px, column_px = (np.mgrid[:rows, :columns] + 0.5) * 4
inside = [
    (x0 < column_px) & (column_px < x1) & (y0 < row_px) & (row_px < y1)
    for x0, y0, x1, y1 in truths.boxes
]
elsewhere = ~np.any(inside, axis=0)
usual, spread = features[elsewhere].mean(axis=0), features.std(axis=(0, 1)) + 1e-6
telling = [
    int(np.argmax((features[mask].mean(axis=0) - usual) / spread)) for mask in inside
]

figure, axes = plt.subplots(2, 2, figsize=(6, 4.8), layout="constrained")
axes = axes.ravel()
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
    name = truths.classes[label]
    print(f"feature {feature:2d}: {there:.2f} in {name} cells, {other:.2f} elsewhere")

# %% [markdown]
# **Why.** None of them is "the post". The best one is high in other places too, and low on part of its object. But 96 such hints together, each with its own weight, can be enough: the head is this weighted sum.
#
# The head learns from labels: for each picture, the class and the bounding box of every object that is really there, drawn by a person or, as here, known to the renderer. They are called the **ground truth**. From it follows what each cell should say. The cell at the center of an object says its class and four numbers for the box; all other cells say "background".
#
# **Predict.** Of the 4800 cells, how many have to say "post"?

# %% tags=["folded"]
# Your guess
guess("07.post_cells", "How many of the 4800 cells have to say post?")

# %%
from robotlab.neural import boxes_at, cell_targets

nothing_ignored = np.zeros((0, 4))
asked = cell_targets(
    truths.boxes, truths.labels, nothing_ignored, camera.height_px, camera.width_px
)
for number, name in enumerate(("background", *truths.classes)):
    print(f"{name:<10} {np.sum(asked.classes == number):4d} cells")

row, column = np.argwhere(asked.classes == 1)[0]
dx, dy, log_w, log_h = asked.boxes[:, row, column]
print(f"row {row}, column {column} must say: post,")
print(f"dx {dx:.2f}, dy {dy:.2f}, log w {log_w:.2f}, log h {log_h:.2f}")
place = np.array([row]), np.array([column])
(box,) = boxes_at(asked.boxes[:, [row], [column]].T, *place)
print(f"back in px: {box.round(1).tolist()}")
print(f"ground truth: {truths.boxes[0].round(1).tolist()}")
compare_guess("07.post_cells", f"{np.sum(asked.classes == 1)} of {asked.classes.size}")

# %% [markdown]
# **Why.** A handful of 4800. (Two where the center lies between two cells.) This is **class imbalance**: nearly all examples are of one class. A head that says "background" everywhere is correct in 99.9 % of the cells and finds nothing, so the fraction of correct cells, the *accuracy*, says nothing here. `dx, dy` go from the cell's center to the box's, and w and h come as logarithms, all measured in cells, so that near and far objects ask for numbers of about the same size.

# %% [markdown]
# ## 2. The loss, and its gradient
#
# Training makes one number small, the **loss**. For the classes it is built in three steps. The head's weighted sums give a raw score for each class, from −∞ to ∞; these are the **logits**. **Softmax** (lesson 04) turns the logits of a cell into probabilities that add up to 1. The loss of the cell is minus the logarithm of the probability of its true class, and the mean over the cells is the **cross-entropy**:
#
# $$L = -\frac{1}{N} \sum_{n=1}^{N} \log p_n(\text{true class of cell } n)$$
#
# **Predict.** A head that knows nothing gives each of four classes a probability of 0.25. What is its loss? And the loss of one that is sure and wrong, with 0.01 left for the true class: twice as much, three times, a hundred times?

# %% tags=["folded"]
# Your guess
guess("07.wrong", "Sure and wrong costs how many times the 0.25?", choices=(2, 3, 100))

# %%
for probability in (0.99, 0.5, 0.25, 0.01, 0.0001):
    loss = -np.log(probability)
    print(f"probability {probability:6.4f} for the true class: loss {loss:5.2f}")
times = np.log(0.01) / np.log(0.25)
compare_guess("07.wrong", f"{times:.1f} times; the 0.25 costs {-np.log(0.25):.2f}")

# %% [markdown]
# **Why.** Knowing nothing costs log 4 = 1.39; being correct and sure costs next to nothing. Sure and wrong costs 4.6, and there is no ceiling: each further factor of 100 adds 4.6. A head that minimizes this loss learns to keep its probabilities low where it cannot know.
#
# **Task 1.** Write `cross_entropy`. Stuck? Run `nudge(cross_entropy)` in a new cell.


# %% tags=["starter"]
def cross_entropy(logits, classes):
    """Mean over the cells of minus the log of the true class's probability: one number.

    logits: (N, K) array of float; a row for each cell, a column for each class.
    classes: (N,) array of int, the true class of each cell.
    """
    ...


# %% tags=["worked"]
def cross_entropy(logits, classes):
    """Mean over the cells of minus the log of the true class's probability: one number.

    logits: (N, K) array of float; a row for each cell, a column for each class.
    classes: (N,) array of int, the true class of each cell.
    """
    shifted = logits - logits.max(axis=1)[:, None]
    log_sums = np.log(np.exp(shifted).sum(axis=1))
    return np.mean(log_sums - shifted[np.arange(len(logits)), classes])


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(cross_entropy)

# %% [markdown]
# The derivative of the loss with respect to a weight says by how much the loss grows when the weight grows a little. All these derivatives together are the **gradient**. For cross-entropy after softmax it is simple. A cell's loss changes with the logit of a class by *the predicted probability minus the true one*, which is 1 for the true class and 0 for the others. A logit is a sum of weights times features, so the derivative for a weight is that of its logit times its feature, averaged over the cells:
#
# $$\frac{\partial L}{\partial W_{fk}} = \frac{1}{N} \sum_{n=1}^{N} x_{nf} \, (p_{nk} - y_{nk})$$
#
# **Task 2.** Write `head_gradient`.


# %% tags=["starter"]
def head_gradient(x, probabilities, classes):
    """Gradient of the mean cross-entropy with respect to the weights: (F, K).

    x: (N, F) array, the features of N cells; their logits are x @ weights.
    probabilities: (N, K) array, the softmax of the logits.
    classes: (N,) array of int, the true class of each cell.
    """
    ...


# %% tags=["worked"]
def head_gradient(x, probabilities, classes):
    """Gradient of the mean cross-entropy with respect to the weights: (F, K).

    x: (N, F) array, the features of N cells; their logits are x @ weights.
    probabilities: (N, K) array, the softmax of the logits.
    classes: (N,) array of int, the true class of each cell.
    """
    error = probabilities.copy()
    error[np.arange(len(x)), classes] -= 1
    return x.T @ error / len(x)


# %% tags=["verify"]
verify(head_gradient)

# %% [markdown]
# ### Check the gradient
#
# A wrong gradient does not crash. The network learns a little worse, and you look for weeks in the wrong place. So measure it: move one weight up and down by a small step, and divide the change of the loss by the distance (a *finite difference*). This is the library's own checker:

# %%
from robotlab.course import source_of
from robotlab.neural.engine import gradient_error

print(source_of(gradient_error))

# %% [markdown]
# Now with real cells: the centers of all objects on 24 labeled pictures, and 120 background cells of each picture. The library's loss gives its own gradient with respect to the *logits*; one more matrix product carries it to the weights.

# %%
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.neural import Cells, SampleSource, cells_of, nested_subsets
from robotlab.neural.engine import focal_loss

data = open_dataset(shipped("datasets/greenhouse"))
learned = data.only(recordings=("day1", "overcast1", "dusk1"))
apart = data.only(recordings=("day4", "overcast3", "dusk3"))


def cells_from(pictures):
    """Features (N, 96) and classes (N,): centers of objects, and random background."""
    rng = np.random.default_rng(0)
    samples = enumerate(SampleSource(pictures))
    cells = Cells.joined(
        [cells_of(network(one.picture), one, n, rng, None) for n, one in samples]
    )
    # A center has the full weight, background none; cells beside a center are left out.
    reference = (cells.box_weights > 0.999) | (cells.box_weights == 0)
    return cells.features[reference].astype(float), cells.classes[reference]


raw, classes = cells_from(nested_subsets(learned, [24])[0])
raw_apart, classes_apart = cells_from(nested_subsets(apart, [30])[0])


def standard(features, like):
    """Features with mean 0 and spread 1 (in cells `like`), and ones for the bias."""
    scaled = (features - like.mean(axis=0)) / (like.std(axis=0) + 1e-6)
    return np.column_stack([scaled, np.ones(len(features))])


def loss_and_gradient(x, classes, weights):
    """Mean cross-entropy, and its gradient with respect to the weights."""
    # The library's order: pictures, classes, rows, columns.
    logits = (x @ weights).T[None, :, :, None]
    equal = np.full((1, len(x), 1), 1 / len(x))
    # With a focus of 0 this is the plain cross-entropy.
    loss, by_logits = focal_loss(logits, classes[None, :, None], equal, focus=0)
    return loss, x.T @ by_logits[0, :, :, 0].T


x = standard(raw, raw)
print(f"{len(x)} cells to learn from, {x.shape[1]} numbers each")
print("background, post, bucket, crate:", np.bincount(classes).tolist())

# %%
rng = np.random.default_rng(7)
weights = rng.normal(0, 0.1, (97, 4))
flat = weights.ravel()  # The same numbers in one row: moving one moves the weights.
checked_x, checked_classes = x, classes
_, gradient = loss_and_gradient(x, classes, weights)


def loss_now():
    return loss_and_gradient(checked_x, checked_classes, flat.reshape(97, 4))[0]


claims = {
    "as it is": gradient,
    "one hundredth too large": 1.01 * gradient,
    "sign reversed": -gradient,
}
for words, claimed in claims.items():
    error = gradient_error(loss_now, flat, claimed.ravel(), np.random.default_rng(0))
    tiny = "(below one millionth)" if error < 1e-6 else ""
    print(f"{words:<24} error {error:.3f}", tiny)

# %% [markdown]
# **Why.** A correct gradient agrees with the measured one to a millionth. A mistake of one part in a hundred shows as 0.010, a reversed sign as 2.
#
# **Try.** Check *your* gradient in a new cell, at any time while this notebook runs:
#
# ```python
# p = np.exp(checked_x @ flat.reshape(97, 4))
# p /= p.sum(axis=1, keepdims=True)
# mine = head_gradient(checked_x, p, checked_classes)
# gradient_error(loss_now, flat, mine.ravel(), np.random.default_rng(0))
# ```
#
# Then put a mistake into `head_gradient`, and see whether the check notices.

# %% [markdown]
# ## 3. The learning rate
#
# To make the loss smaller, move every weight a little against its derivative, and repeat. This is **gradient descent**. The step is the gradient times a factor, the **learning rate**.
#
# Working out the gradient of all 3000 cells at every step would be slow. So each step takes a **batch**: 16 cells drawn at random. Their gradient is a rough estimate of the whole one, so each step is a little wrong, and quick. Descent on random batches is **stochastic gradient descent** (SGD). A pass over all examples once is an **epoch**: here 3000 / 16, about 190 steps.
#
# The learning rate, the batch size and the number of steps are not learned; you choose them. Such a number is a **hyperparameter**.
#
# **Predict.** 300 steps, at learning rates of 0.001, 0.1 and 10 000. A head that knows nothing has a loss of 1.39. Which ends where: near 0, near 1.39, above it?


# %% tags=["folded"]
# Your guess
guess("07.rates", "Rates 0.001, 0.1 and 10 000: where does each end?")


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


rates = (0.001, 0.1, 10_000)
paths = {f"rate {rate:g}": descend(lambda step, rate=rate: rate) for rate in rates}
for name, losses in paths.items():
    print(f"{name:<10} ends {'below' if losses[-1] < np.log(4) else 'above'} log 4")


# %% tags=["approximate"]
from IPython.display import display

from robotlab.course import Table


def loss_table(names):
    """Losses after some steps, and how much the last 50 go up and down."""
    rows = []
    for name in names:
        losses = paths[name]
        spread = f"{max(losses[250:]) - min(losses[250:]):.4f}"
        rows.append((name, *(losses[steps - 1] for steps in (10, 100, 300)), spread))
    columns = ("step 10", "step 100", "step 300", "spread of the last 50")
    return Table(("loss after", *columns), rows, decimals=3)


display(loss_table(paths))
ends = ", ".join(f"{losses[-1]:.2f}" for losses in paths.values())
compare_guess("07.rates", ends)

# %% [markdown]
# **Why.** With too small a learning rate, the loss is still far from its minimum after 300 steps. Too large a one jumps across the valley of the loss and lands higher on the other side, again and again: its loss is larger than that of a head that knows nothing. A rate in between goes well.
#
# The rate need not stay the same. A rule that changes it from step to step is a **learning rate schedule**. A common one is the **one-cycle schedule**: a low start, up to a peak in the first quarter, then slowly down to almost nothing. Each part goes from its first rate a to its last rate b along half a cosine, with t from 0 to 1 within that part:
#
# $$a + (b - a) \, \frac{1 - \cos(\pi t)}{2}$$
#
# How much of the whole is done at `step` of `steps`, counted from 0, is step / (steps − 1).
#
# **Task 3.** Write `cycle_rate`.


# %% tags=["starter"]
def cycle_rate(step, steps, peak):
    """Learning rate of one step of a one-cycle schedule.

    Up from peak / 25 to peak in the first quarter, then down to peak / 1000;
    each along half a cosine.
    step: from 0 to steps - 1.  steps: how many, 9 or more.  peak: the highest rate.
    """
    ...


# %% tags=["worked"]
def cycle_rate(step, steps, peak):
    """Learning rate of one step of a one-cycle schedule.

    Up from peak / 25 to peak in the first quarter, then down to peak / 1000;
    each along half a cosine.
    step: from 0 to steps - 1.  steps: how many, 9 or more.  peak: the highest rate.
    """
    done = step / (steps - 1)
    if done < 0.25:
        start, end, t = peak / 25, peak, done / 0.25
    else:
        start, end, t = peak, peak / 1000, (done - 0.25) / 0.75
    return start + (end - start) * (1 - np.cos(np.pi * t)) / 2


# %% tags=["verify"]
verify(cycle_rate)

# %% [markdown]
# **Predict.** A constant rate of 1 against one cycle with a peak of 1. Which ends lower? And in the last 50 steps, how do the ups and downs of the two losses compare?

# %% tags=["folded"]
# Your guess
guess("07.cycle", "Which ends lower? Ups and downs at the end: how do they compare?")

# %% tags=["approximate"]
from robotlab.neural.engine import one_cycle

paths["rate 1"] = descend(lambda step: 1.0)
paths["one cycle, peak 1"] = descend(lambda step: one_cycle(step, 300, 1.0))
two = ("rate 1", "one cycle, peak 1")
display(loss_table(two))
ends = " and ".join(f"{paths[name][-1]:.3f}" for name in two)
spreads = " and ".join(f"{np.ptp(paths[name][250:]):.4f}" for name in two)
compare_guess("07.cycle", f"they end at {ends}, with spreads of {spreads}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6, 4), layout="constrained")
colors = ("#0072b2", "#009e73", "#d55e00", "#cc79a7", "black")
styles = zip(colors, (":", "-.", "-", "--", "-"))
for (name, losses), (color, dashes) in zip(paths.items(), styles):
    ax.plot(range(1, 301), losses, dashes, color=color, linewidth=1.5, label=name)
ax.axhline(np.log(4), color="gray", linewidth=1)
ax.text(302, np.log(4), "knows\nnothing", va="center", fontsize=9)
ax.set(yscale="log", xlabel="step", ylabel="loss of all cells", xlim=(0, 350))
ax.set_ylim(0.005, 3000)  # room for the legend
ax.legend(frameon=False, fontsize=9, ncols=2, loc="upper right")
plt.show()

# %% [markdown]
# **Why.** The two end at nearly the same loss; the last column is what differs. A batch is an estimate, so with a constant rate the weights keep jumping about the minimum; the larger the rate, the farther. The loss still goes up and down by as much as its own size, and the last step is a matter of luck. With the schedule it has settled: the spread is more than ten times smaller. The learning rate is the first hyperparameter to look at when a training goes wrong: a curve that hardly falls asks for a higher rate, one that jumps or turns to NaN for a lower one.

# %% [markdown]
# ## 4. Three pictures, 3000 steps
#
# Fewer pictures, more steps: three pictures, 3000 steps of gradient descent on all their cells. Beside this training loss we watch the loss on cells of other recordings, which are *held out*: never learned from.
#
# **Predict.** The training loss falls all the way. What does the held-out loss do? And of the held-out cells at the center of an *object*, are more and more classified correctly?

# %% tags=["folded"]
# Your guess
guess("07.overfit", "Held out: what does the loss do, and the objects found?")

# %%
raw_three, classes_three = cells_from(nested_subsets(learned, [3])[0])
few, held = standard(raw_three, raw_three), standard(raw_apart, raw_three)
of_object = classes_apart > 0
overfit, history = np.zeros((97, 4)), []
for step in range(3001):
    loss, slope = loss_and_gradient(few, classes_three, overfit)
    if step % 20 == 0:
        held_loss = loss_and_gradient(held, classes_apart, overfit)[0]
        object_loss = loss_and_gradient(
            held[of_object], classes_apart[of_object], overfit
        )[0]
        correct = (held @ overfit).argmax(axis=1) == classes_apart
        history.append((step, loss, held_loss, object_loss, correct[of_object].mean()))
    overfit -= 0.5 * slope
steps, train_loss, held_loss, object_loss, object_accuracy = np.array(history).T
best = held_loss.argmin()
print("the training loss falls all the way:", bool((np.diff(train_loss) < 0).all()))
print("the held-out loss is lowest at the end:", bool(best == len(steps) - 1))
print(
    f"held out: {np.sum(~of_object)} background cells, {np.sum(of_object)} cells of objects"
)

# %% tags=["approximate"]
rows = [
    (f"{steps[k]:.0f}", train_loss[k], held_loss[k], object_loss[k], object_accuracy[k])
    for k in (0, 1, best, -1)
]
columns = ("training loss", "held-out loss", "of objects: loss", "of objects: correct")
display(Table(("step", *columns), rows, decimals=3))
words = f"loss {held_loss[1]:.3f}, {held_loss[best]:.3f}, {held_loss[-1]:.3f}"
right = ", ".join(f"{100 * object_accuracy[k]:.0f} %" for k in (1, best, -1))
compare_guess("07.overfit", f"{words}; of objects correct {right}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6, 3), layout="constrained")
ax.plot(steps + 1, object_loss, ":", color="#009e73", label="held out, objects only")
ax.plot(steps + 1, held_loss, "--", color="#d55e00", label="held out")
ax.plot(steps + 1, train_loss, "-", color="#0072b2", label="training")
for losses, color in ((held_loss, "#d55e00"), (object_loss, "#009e73")):
    ax.plot(steps[losses.argmin()] + 1, losses.min(), "o", color=color)
ax.set(xscale="log", yscale="log", xlabel="step + 1", ylabel="loss; dots: lowest")
ax.legend(frameon=False)
plt.show()

# %% [markdown]
# **Why.** The head learns what is special about these three pictures and becomes more and more certain, also where it is wrong. This is **overfitting**; the training loss never shows it. Held-out recordings do: look at them from time to time, and keep the weights that were best there. This is **early stopping**.
#
# The table has a second lesson. The held-out loss goes on falling long after objects have begun to be classified *worse*: it is a mean over cells, nearly all of them background, and the background still improves. Class imbalance again. So stop by the number that you care about. `fit` watches the held-out AP, not the loss.
#
# ## 5. Training, validation, test
#
# The held-out part chooses when to stop (and which learning rate, and how many features). So it is no longer independent: of several tries, the one that was lucky on it is kept. Therefore the data are cut into three, the **train/validation/test split**:
#
# | part | what it does | here |
# |---|---|---|
# | training | fits the weights | `learned` |
# | validation | chooses hyperparameters, the moment to stop, the confidence threshold | `hold_out=` of `fit` |
# | test | judges, once, at the end; chooses nothing | lesson 08 |
#
# How much to which part? Common practice (no source): more than half of the recordings to training, and validation and test so large that their intervals (lesson 08) are narrow enough for the decision at hand. With two recordings there is only training and validation; say so beside the figure.
#
# Cut between *recordings*, never between single pictures: two pictures of one drive are nearly the same picture. A near-duplicate of a training picture in the test part is data leakage (lesson 06) and makes the result too good; lesson 08 measures by how much.
#
# *This is the place to stop for today. To go on another time, run the cells from the top (Run → Run All Above Selected Cell).*

# %% [markdown]
# ## 6. The box, and the head as a whole
#
# For the four numbers of the box the loss is the squared error, and the weights with the smallest squared error can be worked out at once: no steps, no learning rate. One thing is added, a *penalty* on large weights. With many features that say nearly the same, plain least squares plays them off against each other, +1000 of one and −999 of the other; the penalty keeps them small. This is **ridge regression**. The weights w minimize
#
# $$\lVert x w - y \rVert^2 + \text{penalty} \cdot \lVert w \rVert^2$$
#
# **Task 4.** Write `ridge`.


# %% tags=["starter"]
def ridge(x, y, penalty):
    """Weights w (F,) that minimize the sum of (x @ w - y)² plus penalty · sum of w².

    x: (N, F) array, a row of features for each cell.
    y: (N,) array, what to predict.  penalty: above 0.
    """
    ...


# %% tags=["worked"]
def ridge(x, y, penalty):
    """Weights w (F,) that minimize the sum of (x @ w - y)² plus penalty · sum of w².

    x: (N, F) array, a row of features for each cell.
    y: (N,) array, what to predict.  penalty: above 0.
    """
    return np.linalg.inv(x.T @ x + penalty * np.identity(x.shape[1])) @ x.T @ y


# %% tags=["verify"]
verify(ridge)

# %% [markdown]
# That is all there is to training a head on a frozen backbone: cross-entropy for the class, ridge regression for the box. `fit` does both, with three additions:
# - it learns from each picture four times, mirrored and under changed light, so that the head does not rely on either: **data augmentation**;
# - cells beside a center count as the object too, with a smaller weight;
# - after a first fit it looks for background cells that were taken for objects, and fits again with these added. They are called **hard negatives**.
#
# The loss of such a head has a single minimum, so the same pictures give the same head.
#
# **Predict.** 45 labeled pictures of three recordings: how close to 1 does AP50 get on three *other* recordings?

# %% tags=["folded"]
# Your guess
guess("07.head_fit", "AP50 on three other recordings?", choices=(0.3, 0.5, 0.7, 0.9))

# %% tags=["nbval-ignore-output"]
from robotlab.neural import fit

parts = dict(zip((5, 15, 45), nested_subsets(learned, (5, 15, 45))))
detectors = {45: fit(parts[45])}

# %%
from robotlab.neural import detect_all, metrics_of

test = nested_subsets(apart, (45,))[0]
results = {45: metrics_of(test, detect_all(detectors[45], test))}
print("more than two thirds of a perfect AP50:", results[45]["AP50"] > 0.67)

# %% tags=["approximate"]
AP50, AP = results[45]["AP50"], results[45]["AP"]
print(f"{len(test)} pictures kept apart: AP50 {AP50:.2f}, AP {AP:.2f}")
print(f"learned numbers: {97 * 8}, 97 for each of 4 classes and 4 box numbers")
compare_guess("07.head_fit", f"{AP50:.2f}")

# %% [markdown]
# **Why.** 776 numbers, in seconds, on a plain processor. The backbone had done most of the work before.
#
# But take the figure for what it is: that backbone was pre-trained on pictures of the *same renderer*, with other colors. Pictures from a real camera differ in noise, blur, light and background from all it has seen; this difference between the data of training and of use is called **domain shift**. Measured with the same `fit`, on halves or later parts that were not learned from:
#
# | data | AP50 | AP |
# |---|---|---|
# | rendered greenhouse, 50 pictures | 0.89 | 0.64 |
# | photographed coins, left half → right half | 0.98 | 0.84 |
# | a street camera's film, 96 pictures → later pictures | 0.76 | 0.36 |
#
# (One seed each, the film five. It does not come with the course; `DEVELOPERS.md` has the conditions.) On real pictures it still finds most objects, and its boxes are looser.
#
# ### How many pictures?
#
# Labeling is the expensive part. So before you label 500 pictures, fit on parts of what you have, and plot the result against the number of pictures: the **learning curve**.
#
# **Predict.** From 5 to 15 pictures, and from 15 to the 45 that you have just seen: each time three times the work. What does each buy?

# %% tags=["folded"]
# Your guess
guess("07.more", "AP50 with 5, and with 15 pictures?")

# %% tags=["approximate"]
for number in (5, 15):
    detectors[number] = fit(parts[number], progress=False)
    results[number] = metrics_of(test, detect_all(detectors[number], test))
for number in sorted(results):
    one = results[number]
    print(f"{number:3d} pictures, {parts[number].box_count:3d} objects:", end=" ")
    print(f"AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")
compare_guess(
    "07.more", ", ".join(f"{results[n]['AP50']:.2f}" for n in sorted(results))
)

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(5.5, 3), layout="constrained")
numbers = sorted(results)
for name, color, line in (("AP50", "#d55e00", "-o"), ("AP", "#009e73", "--s")):
    values = [results[number][name] for number in numbers]
    ax.plot(numbers, values, line, color=color, label=name)
ax.set(xscale="log", xticks=numbers, xticklabels=numbers, ylim=(0, 1))
ax.set(xlabel="labeled pictures", ylabel="on pictures kept apart")
ax.minorticks_off()
ax.legend(frameon=False)
plt.show()

# %% [markdown]
# **Why.** As a rule each tripling brings less than the one before. Where the curve is flat, more pictures *of the same kind* are wasted work; pictures in new light, of a new place, or of the distractors that it takes for objects bring more. Where the last step still brought a lot, label on.

# %% [markdown]
# ## 7. All layers: a convolution, forward and backward
#
# If the features do not suit your pictures, the head can do little. Then the backbone must learn too. Nearly all its work is one operation, the **convolution**: lay a small table of weights, the **kernel**, over the picture, multiply it with the pixels under it, add up, write down one number; move on by the stride. A layer has many kernels. Each reads the whole feature map below and writes one grid of its own, a **channel** of the next feature map.
#
# Two small steps follow each convolution. **Batch normalization** brings each channel to mean 0 and spread 1 over the batch, and then scales it by two learned numbers, so that no layer drowns the next. (A robot looks at one picture, not at a batch: then the means and spreads kept from the training are used.) Then negative numbers become 0 (**ReLU**); without it, many convolutions in a row could do no more than one.
#
# Here is a convolution, as the library's reference implementation has it. `_padded` puts a rim of zeros around the picture, and `_under` says where the pixels under the kernel lie.

# %%
from robotlab.neural.engine import convolve_backward_reference, convolve_reference

print(source_of(convolve_reference))

# %% [markdown]
# On the way back, `gradient` holds the derivative of the loss with respect to each *output*. Each output was a sum of products, a weight times a pixel. So its derivative goes back to each weight, times the pixel, and to each pixel, times the weight.
#
# Run the next cell and read what it prints.

# %%
print(source_of(convolve_backward_reference))

# %% [markdown]
# **Predict.** Two lines add something up. Which of them needs the picture, and which the kernel's weights? So which is for the layer's own weights, and which for the layer below?

# %% tags=["folded"]
# Your guess
guess("07.lines", "Which line is for the kernel, which for the layer below?")

# %% tags=["folded"]
compare_guess(
    "07.lines", "kernel: kernel_gradient += ...; layer below: padded_gradient += ..."
)

# %% [markdown]
# This is **backpropagation**: each layer gets the gradient of its output, keeps that of its weights, and hands on that of its input. The training engine does the same with matrix products, hundreds of times as fast, and a test proves that both give the same numbers. (To read on: `robotlab/neural/engine`, `reference.py` first, then `layers.py`, `network.py` and `optimizer.py`.)
#
# **Predict.** A layer of one 3 × 3 kernel, with random weights, sees a gray picture. At each place it is told the output of *another* kernel, one that finds upright edges. Will it find that kernel's nine numbers from these examples alone?

# %% tags=["folded"]
# Your guess
guess("07.kernel", "Will it find the nine numbers?", choices=("yes", "some", "no"))

# %%
from robotlab.neural import Layer
from robotlab.neural.engine import AdamW, Scratch, convolve, convolve_backward

layer = Layer("edges", "conv", ("picture",), 1)
rng = np.random.default_rng(1)
gray = (frame.picture.mean(axis=2)[None, 60:180, 60:260] - 100) / 50
wanted = np.array([[[[-1, 0, 1], [-2, 0, 2], [-1, 0, 1]]]], float)
target = convolve_reference(gray, wanted, layer)
kernel = rng.normal(0, 0.5, wanted.shape)
kernel_gradient, said = np.zeros_like(kernel), np.zeros_like(target)
scratch = Scratch(np.float64)


def squared_error():
    convolve(gray, kernel, layer, said, scratch)
    return np.mean((said - target) ** 2)


def slopes():
    """Fills kernel_gradient, gives the loss."""
    loss = squared_error()
    by_output = 2 * (said - target) / target.size
    convolve_backward(gray, kernel, layer, by_output, kernel_gradient, None, scratch)
    return loss


slopes()
claimed = kernel_gradient.ravel().copy()
error = gradient_error(squared_error, kernel.ravel(), claimed, rng)
print("gradient checked:", error < 1e-6)
step = AdamW(kernel.ravel(), decay=0.0, decayed=np.zeros(9, bool))
losses = []
for number in range(1000):
    losses.append(slopes())
    step(kernel_gradient.ravel(), one_cycle(number, 1000, 0.3))
some = ", ".join(f"{losses[n]:.4f}" for n in (0, 300, 999))
print("loss after 0, 300, 1000 steps:", some)
print("the kernel it found:")
for row in kernel[0, 0].round(1) + 0.0:
    print("".join(f"{value:6.1f}" for value in row))
off = np.abs(kernel - wanted).max()
compare_guess("07.kernel", "all nine" if off < 0.05 else f"off by up to {off:.1f}")

# %% [markdown]
# **Why.** It found the nine numbers, and nobody told it what an edge is. `AdamW` is SGD with three additions: it averages the last gradients (**momentum**); it takes steps of about the same size in every weight, however large its derivative; and it draws every weight a little toward 0 at each step (**weight decay**, switched off here). Fine-tuning moves its kernels by a relative, `Muon`, whose steps are equally long in all directions of a kernel: two thirds of the steps then do. The whole network is many such layers in a row, with nearly half a million weights; each learns from the gradient that the layer above hands down.

# %% [markdown]
# ## 8. Fine-tuning
#
# Now the layers of the backbone learn too, starting from the pre-trained weights and a head fitted to them; only its first convolution stays frozen. (Data augmentation goes on: each piece of a picture is cut anew whenever it is used, under another light, and half of the time mirrored.) That convolution looks at 3 × 3 pixels, for edges and spots that every picture has, and on other pictures the detectors came out equally good with it and without. First the cost: a training that stops after an hour because the disk is full has cost an hour.
#
# **Predict.** A batch is here eleven pieces of 160 × 160 px. What needs most memory: the weights, or what the layers must remember between the forward and the backward pass?

# %% tags=["folded"]
# Your guess
guess(
    "07.memory",
    "What needs most memory?",
    choices=("the weights", "what the layers must remember", "about the same"),
)

# %%
from robotlab.errors import InputError
from robotlab.neural import (
    BACKBONE,
    activation_count,
    check_disk,
    disk_bytes,
    head_layers,
    memory_bytes,
)
from robotlab.neural.engine import parameter_count

layers = BACKBONE + head_layers(1)
print(f"weights           {4 * parameter_count(layers) / 1e6:6.1f} MB")
print(f"remembered        {4 * 11 * activation_count(layers, 160, 160) / 1e6:6.1f} MB")
in_all = memory_bytes(layers, 11, 160, 160, cache_bytes=2_000_000, torch=False)
print(f"memory in all     {in_all / 1e6:6.0f} MB, Python and its libraries included")
alone, resumable = (disk_bytes(layers, state) / 1e6 for state in (False, True))
print(f"disk              {alone:6.1f} MB, or {resumable:.1f} MB with a state file")
try:
    check_disk(".", 10**15)
except InputError as error:
    print("a disk too small:", str(error).split(" at ")[0], "...")
many = 11 * activation_count(layers, 160, 160) / parameter_count(layers)
compare_guess("07.memory", f"remembered: {many:.0f} times the weights")

# %% [markdown]
# **Why.** The backward pass needs what the forward pass computed: each layer's output waits in memory until its turn comes. That is why training takes so much more memory than detecting, and why it works on small pieces of pictures, a few at a time.
#
# Now on a photograph: old coins on a dark ground. The left half is for training, the right half for validation. First a head is fitted to the frozen backbone. Then the network is fine-tuned: 30 epochs, about 65 steps, some twenty seconds. The picture below shows a piece of the *right* half, and it is redrawn while the training runs. Its line of text counts the boxes that match a coin (TP, true positives), those that do not (FP, false positives) and the coins without a box (FN, false negatives); coins of which less than half shows do not count, nor does a box that lies mostly on one. Lesson 08 explains these words.
#
# **Predict.** Training starts from a good head. After the first third of the steps, at the highest learning rates, will the held-out AP be above the start or below?

# %% tags=["folded"]
# Your guess
guess(
    "07.dip",
    "After a third of the steps the held-out AP is",
    choices=("above the start", "below it", "the same"),
)

# %% tags=["explore"]
from robotlab.widgets import TrainingMonitor

coins = open_dataset(shipped("datasets/coins"))
name = "right_x201_y100.png"
shown = next(entry for entry in coins.pictures if entry.path.name == name)
alt = "A gray photograph of coins with boxes; beside it loss and held-out AP."
monitor = TrainingMonitor.of(coins, shown, alt=alt)
monitor

# %% tags=["nbval-ignore-output"]
options = {
    "training": "fine_tuning",
    "engine": "numpy",
    "hold_out": "right",
    "epochs": 30,
}
coin_finder = fit(coins, **options, watch=monitor.watch)

# %% tags=["approximate"]
curve = coin_finder.facts["curve"]
judged = list(zip(curve["judged_steps"], curve["judged_AP50"], curve["judged_AP"]))
display(Table(("after step", "held out: AP50", "AP"), judged, decimals=2))
print(f"kept: the weights of step {coin_finder.facts['kept_step']}")
third = min(judged, key=lambda row: abs(row[0] - judged[-1][0] / 3))
words = f"step {third[0]}: {third[2]:.2f}, at the start {judged[0][2]:.2f}"
compare_guess("07.dip", words)

# %% [markdown]
# **Try.** Move the slider, or press Play. Watch the boxes at the rim of the picture. When do they get tight?
#
# **Why.** At the highest learning rates the held-out AP stands still or dips a little, while the loss already falls: what was there is disturbed as fast as something better is learned. Then the rate comes down, and the boxes end tighter than those of the head alone. Kept are the latest weights whose mean of AP50 and AP is at most 0.02 below the best: early stopping, with a tolerance. On so few pictures a smaller difference is luck, and the latest weights have learned most. One caution: the right half is the validation part, it chose that step, so its AP is optimistic. For a figure to publish, make a train/validation/test split, whose test part chooses nothing.
#
# ### A longer training
#
# Here is a training that the course has measured on the greenhouse: 174 pictures, another recording for validation, about three minutes on two processor cores. All weights but the first convolution's move, kernels by `Muon`, the rest by `AdamW`. In a training this long, the first half of the steps looks at the pieces of pictures at about three quarters of their width and height: half the pixels, so less work, and no loss of AP was measured. Smaller pictures first is called **progressive resizing**. The training is replayed from its log.

# %% tags=["explore"]
from robotlab.course import measured

record = measured("full_training")
name = record["shown"]
long_shown = next(entry for entry in data.pictures if entry.path.name == name)
alt = "A rendered greenhouse at dusk with a detector's boxes; beside it loss and AP."
long = TrainingMonitor.of(data, long_shown, alt=alt, log=record["log"])
long

# %% tags=["still"] picture="full_training" alt="Above, a rendered greenhouse at dusk with boxes around a far post, a bucket and crates. Below, over about a thousand steps, the loss falls to less than a third; AP50 and AP on the held-out recording start high and change little."
figure = long.draw()
figure

# %%
stages = record["log"]["stages"]
kept = next(stage for stage in stages if stage["step"] == record["kept_step"])
print(f"{record['pictures']} pictures, {record['steps']} steps")
for words, one in (
    ("validation, at the start", stages[0]),
    (f"validation, step {kept['step']}, kept", kept),
    ("test, three recordings, frozen", record["judged"]["frozen_backbone"]),
    ("test, three recordings, fine-tuned", record["judged"]["fine_tuning"]),
):
    print(f"{words:<36} AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")

# %% [markdown]
# And what is pre-training worth? The training on coins can also start from random weights: `fit(..., start="scratch")`. It was measured, too.
#
# **Predict.** As many steps as before, from random weights: how close does it come?

# %% tags=["folded"]
# Your guess
guess(
    "07.scratch",
    "AP50 on the coins, from random weights?",
    choices=(0.1, 0.5, 0.8, 1.0),
)

# %%
for start, one in record["coins"].items():
    print(f"coins, {one['steps']} steps from {start:<8}", end=" ")
    print(f"AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")
compare_guess("07.scratch", f"{record['coins']['scratch']['AP50']:.2f}")

# %% [markdown]
# **Why.** From random weights, the same number of steps must first learn what an edge is. With many more pictures and minutes it would get there; the pre-trained weights start there.
#
# Now compare the two trainings. On the coins, which look like nothing the backbone has seen, fine-tuning made the boxes tighter; on the street camera's film of part 6 it raised AP50 from 0.76 to 0.88 and AP from 0.36 to 0.56. On the greenhouse, for which the backbone was made, minutes bring a point or two over seconds. So start with the frozen backbone, judge it, and fine-tune when your pictures are *real* or unlike the course's. PyTorch is used where it is installed; it makes training about twice as fast, not better.

# %% [markdown]
# ## 9. Stopped, resumed, saved
#
# Ctrl-C in a terminal, or the stop button (■) above a notebook, ends a training early, and you get the weights kept so far. With a state file it can go on later. Here the cell interrupts itself after a few steps.

# %%
import tempfile
from pathlib import Path

room = tempfile.TemporaryDirectory()  # Removed when the notebook is shut down.
folder = Path(room.name)


def enough(history, detector):
    """What pressing the stop button after four steps does."""
    if history.steps and history.steps[-1] >= 4:
        raise KeyboardInterrupt


def say(done, facts):
    print(f"{done} after {facts['steps']} steps;", end=" ")
    print(f"interrupted: {facts.get('interrupted', False)};")
    print("    a state file is there:", state_path.exists())


state_path = folder / "state.npz"
# Quicker: fewer pictures, and random weights, for which no head is fitted first.
few = coins.having(coins.pictures[::4])
options |= {"epochs": 16, "start": "scratch"}
options |= {"progress": False, "state_path": state_path}
stopped = fit(few, **options, watch=enough)
say("stopped", stopped.facts)
resumed = fit(few, **options)
say("resumed and ended", resumed.facts)

# %% [markdown]
# Either training ends in one file.
#
# **Predict.** What must be in it, so that a robot can use it in a year, without you and without this course? And what is still missing?

# %% tags=["folded"]
# Your guess
guess("07.file", "What must be in the file?")

# %% tags=["approximate"]
import onnx

from robotlab.neural import NeuralDetector

path = coin_finder.save(folder / "coins.onnx")
model = onnx.load(path)
sides = (("inputs", model.graph.input), ("outputs", model.graph.output))
print(f"{path.name}: {path.stat().st_size / 1e6:.1f} MB")
for side, values in sides:
    print(f"{side}: " + ", ".join(value.name for value in values))
for entry in model.metadata_props:
    value = entry.value
    print(f"  {entry.key}: {value if len(value) < 45 else value[:40] + ' ...'}")
again = NeuralDetector.load(path)
few_coins = [coins.load(one) for one in coins.pictures[:5]]
same = all(
    np.array_equal(again.detect(one).boxes, coin_finder.detect(one).boxes)
    for one in few_coins
)
print("loaded again, it finds the same:", same)
compare_guess("07.file", ", ".join(entry.key for entry in model.metadata_props))

# %% [markdown]
# **Why.** ONNX is an open format that many programs run, on processors from a telephone's to a server's. The layers alone would not do: whoever uses the file needs the class names, how a picture must be prepared, and the confidence threshold (`facts["best_score"]`, chosen on the validation part). All that stands in the file's metadata. Three steps are *not* in the file: fitting the picture to a size that the network accepts; *decoding*, which takes the cells of `peaks` above the confidence threshold and turns their dx, dy, log w and log h into corners in pixels, as `boxes_at` did in part 1; and non-maximum suppression (NMS, lesson 05). `detect` does all three. On a robot without this library you write them yourself, a few lines each.

# %% [markdown]
# ## On your own pictures
#
# **With one photograph, at once.** Put some coins on a dark table and photograph them from above, portrait or landscape, in any size. What does the coin finder of part 8 see? It has learned from the left half of one old gray photograph: this is a domain shift of your own.

# %% tags=["nbval-ignore-output"]
from robotlab.data import draw_boxes
from robotlab.image import load, resize

my_photograph = ""  # such as "coins.jpg"

if not my_photograph:
    print("no photograph yet: put its name between the quotes")
else:
    photograph = load(my_photograph)
    # The coins it has learned from are 40 to 80 px wide; a telephone's are ten times that.
    height, width = photograph.shape[:2]
    smaller = min(1, 480 / max(height, width))
    photograph = resize(photograph, (round(width * smaller), round(height * smaller)))
    seen = coin_finder.detect(photograph)
    seen = seen.pick(seen.scores >= coin_finder.facts["best_score"])
    figure, ax = plt.subplots(figsize=(6, 4.5), layout="constrained")
    ax.imshow(draw_boxes(photograph, seen.boxes, [(213, 94, 0)] * len(seen)))
    ax.set_title(f"{len(seen)} boxes", fontsize=11)
    ax.set_axis_off()
    plt.show()

# %% [markdown]
# **With labels.** Label 25 to 50 pictures (lesson 06) from at least three recordings: three days, places or kinds of light. Then, in a terminal, in the folder you cloned:
#
# ```
# .venv/bin/robotlab checkup MY_FOLDER
# .venv/bin/robotlab fit MY_FOLDER --hold-out LAST_RECORDING -o mine.onnx
# .venv/bin/robotlab fit MY_FOLDER --hold-out LAST_RECORDING --training fine-tuning --resume state.npz -o mine_full.onnx
# ```
#
# (Windows: `.venv\Scripts\robotlab`.) The first fit keeps the backbone frozen and takes seconds; the second fine-tunes, and says beforehand how long it will take. Or here: put the folder's name between the quotes. The learning curve tells whether to label on.

# %% tags=["nbval-ignore-output"]
my_folder = ""

if not my_folder:
    print("no folder yet: put its name between the quotes")
elif len(open_dataset(my_folder).recordings) < 2:
    print("all pictures are of one recording, so none can be kept apart to judge on:")
    print("record once more, or name the recording of each picture in the labels file")
else:
    mine = open_dataset(my_folder)
    *mine_learned, mine_apart = mine.recordings
    kept_apart = mine.only(recordings=mine_apart)
    print(f"on recording {mine_apart}, which is not learned from:")
    for part in nested_subsets(mine.only(recordings=mine_learned), (10, 25, 50, 100)):
        one = metrics_of(kept_apart, detect_all(fit(part, progress=False), kept_apart))
        print(f"{len(part):3d} pictures: AP50 {one['AP50']:.2f}, AP {one['AP']:.2f}")

# %% [markdown]
# ### What not to conclude
#
# - "It has AP 0.9 on its own pictures." Then it has learned them. Only recordings kept apart count.
# - "Fine-tuning got one point (0.01) of AP50 more, so it finds more." Perhaps. A few dozen pictures of a few recordings, one seed: lesson 08 says whether a point means anything.
# - "It found all coins, so it will find coins." One photograph, one ground, one light.
# - "The loss is down to 0.3, that is good." A loss can only be compared with another loss of the same kind on the same pictures.
# - "More steps cannot harm." They can: overfitting, part 4.
#
# ## What to remember
#
# - The backbone describes each cell by 96 features; the head is a weighted sum of them.
# - Cross-entropy is minus the logarithm of the true class's probability. Its gradient is predicted minus true, times the feature.
# - Check a gradient by moving a weight. When training fails, look at the learning rate first.
# - The training loss never shows overfitting. A validation part does, and chooses when to stop; a test part judges.
# - Frozen backbone first: seconds, one best answer. Fine-tune when the pictures are real or unusual: minutes.
# - Know time, memory and disk space before you start.
#
# On your own robot you can now
# - train a detector on a few dozen labeled pictures, and say how good it is on new ones;
# - say from a learning curve whether to label more;
# - take one file with you that runs without this course.
#
# ### Check your understanding
#
# 1. Why is accuracy over all cells a useless measure for a detector's head?
# 2. Your training loss jumps up and down and ends as NaN. What do you change first?
# 3. Training loss falls, validation AP falls too. What is this called, and which weights do you keep?
# 4. You tried ten learning rates and kept the best on the validation part. Why is its AP there optimistic?
# 5. When would you fine-tune, and when is a frozen backbone enough?
#
# <details><summary>Answers</summary>
#
# 1. Class imbalance: "background" everywhere is correct in 99.9 % of the cells and finds nothing.
# 2. The learning rate: lower it.
# 3. Overfitting; those with the highest validation AP (early stopping).
# 4. The luckiest of ten was kept, and the luck is part of its figure. A test part that chose nothing says how good it is.
# 5. Frozen when the pictures resemble what the backbone has learned from, or there are few of them; fine-tune when they are unlike it (domain shift) and you have minutes.
#
# </details>
#
# Next: [lesson 08](08_judge_it.ipynb), judge it.
#
# ## Sources
#
# - Cross-entropy and its gradient: C. M. Bishop, *Pattern Recognition and Machine Learning*, 2006, section 4.3.4.
# - Stochastic gradient descent: H. Robbins, S. Monro, *A Stochastic Approximation Method*, Ann. Math. Stat. 22:400-407, 1951 (from memory). Ridge regression: A. E. Hoerl, R. W. Kennard, *Ridge Regression*, Technometrics 12:55-67, 1970.
# - Backpropagation: D. E. Rumelhart, G. E. Hinton, R. J. Williams, *Learning representations by back-propagating errors*, Nature 323:533-536, 1986.
# - Progressive resizing: M. Tan, Q. V. Le, *EfficientNetV2*, ICML 2021, arXiv:2104.00298 (there progressive learning; from memory). A tolerance in early stopping: L. Prechelt, *Early Stopping - But When?*, 1998 (from memory).
# - One cycle: L. N. Smith, N. Topin, *Super-Convergence*, arXiv:1708.07120. AdamW: I. Loshchilov, F. Hutter, ICLR 2019, arXiv:1711.05101.
# - Fine-tuning and what transfers: J. Yosinski, J. Clune, Y. Bengio, H. Lipson, *How transferable are features in deep neural networks?*, NIPS 2014, arXiv:1411.1792 (from memory). Batch normalization: S. Ioffe, C. Szegedy, ICML 2015, arXiv:1502.03167. Hard negatives: P. Felzenszwalb et al., PAMI 32:1627-1645, 2010.
# - Cells and the centers of objects: X. Zhou, D. Wang, P. Krähenbühl, *Objects as Points*, arXiv:1904.07850 (cited from memory).
# - The upright-edge kernel: I. Sobel, 1968, unpublished; described in R. O. Duda, P. E. Hart, *Pattern Classification and Scene Analysis*, 1973 (from memory).
# - The coins: a photograph that comes with scikit-image, from the Brooklyn Museum's collection.
