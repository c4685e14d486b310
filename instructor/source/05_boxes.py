# %% [markdown]
# # Lesson 05: boxes
#
# **What you will have** at the end: three small functions of your own, for converting boxes, for their overlap and for throwing doubles away. Every detector in this course, and every score in lesson 08, rests on these three.
#
# **You will be able to**
# - tell three ways of writing a box apart, and notice when one was read as another;
# - work out the overlap of two boxes by hand, and judge what 0.5 means for a large and for a small thing;
# - say what adding 1 to a width does, and to whom it matters;
# - keep one box of the many that lie on one thing, and know when this drops a thing that was really there.
#
# **Time**: 40 minutes. **Needs**: lessons 00 and 03 (masks, hue).
#
# **Cautions**: nothing moves here. But a box that is one convention off steers a trolley to the wrong place with no error message at all. All pictures are rendered.

# %% [markdown]
# ## 1. Four numbers, three meanings
#
# In this library a box is `x0, y0, x1, y1`: its left, upper, right and lower **edge**, in px, x to the right and y down. Other files hold a corner and a size (`x, y, width, height`; the form of COCO), others the middle and a size.
#
# **Predict.** Somebody hands you the box `60, 40, 100, 80` and does not say which form it is. By how much do the three readings differ in area: not at all, by half, by a factor of five?

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab import boxes
from robotlab.practice import nudge, verify

numbers = [[60, 40, 100, 80]]
readings = {
    "corners": np.array(numbers, float),
    "x y width height": boxes.corners_from_xywh(numbers),
    "center and size": boxes.corners_from_center(numbers),
}
for name, box in readings.items():
    print(f"{name:<17} edges {box[0].tolist()}, area {boxes.area(box)[0]:5.0f} px²")

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(5.2, 3.2), layout="constrained")
for (name, box), color, dashes in zip(readings.items(), ("#0072b2", "#d55e00", "#222222"), ("-", "--", ":")):
    x0, y0, x1, y1 = box[0]
    ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], dashes, color=color, linewidth=2, label=name)
_ = ax.set(xlim=(0, 200), ylim=(150, -10), aspect="equal", xlabel="x, px", ylabel="y, px", title="60, 40, 100, 80, read in three ways")
_ = ax.legend(frameon=False, fontsize=8, loc="lower right")

# %% [markdown]
# **Why.** 40 × 40 is 1600 px² and 100 × 80 is 8000 px². Two readings even have the same size, in different places: an area alone does not tell them apart.
#
# Does at least a program notice? The course's data set is written in the form of COCO. We read its labels as if they were corners, and real corners as if they were sizes.
#
# **Predict.** A check that every box has x0 ≤ x1 and y0 ≤ y1: which of the two mistakes does it notice?

# %%
from robotlab.course import shipped
from robotlab.dataset import open_dataset
from robotlab.errors import BoxError

data = open_dataset(shipped("datasets/greenhouse"))
corners = np.concatenate([entry.boxes for entry in data.pictures])
sizes = boxes.xywh_from_corners(corners)


def refused(read):
    """How many boxes the library refuses."""
    count = 0
    for box in read:
        try:
            boxes.area(box[None])
        except BoxError:
            count += 1
    return count


as_corners = refused(sizes)
as_sizes = refused(boxes.corners_from_xywh(corners))
print(f"{len(corners)} boxes")
print(f"sizes read as corners: {as_corners} refused, {len(corners) - as_corners} go through unnoticed")
print(f"corners read as sizes: {as_sizes} refused, {len(corners) - as_sizes} go through unnoticed")

# %% [markdown]
# **Why.** A size read as a corner mostly lies left of the first corner, which is impossible, so it is noticed; near the upper left of the picture it is not. A corner read as a size is a large positive number, and always possible. No check finds it. Name both ends in the name of each conversion (`corners_from_xywh`), and look at the first picture with its boxes drawn.
#
# Two more habits of this library, both meant to save you a slip:
# - x comes first in a box, the row comes first in an array: the pixels of a box are `picture[y0:y1, x0:x1]`.
# - Edges are counted, not pixels. The first pixel of a picture has the box `0, 0, 1, 1`.

# %%
mask = np.zeros((8, 12), bool)
mask[2:5, 3:9] = True
rows, columns = np.nonzero(mask)
box = np.array([[columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]], float)
print(f"rows 2 to 4, columns 3 to 8: box {box[0].tolist()}, area {boxes.area(box)[0]:.0f} px², pixels in the mask {mask.sum()}")

# %% [markdown]
# **Task 1.** Write `corners_from_xywh(boxes)`, for N boxes at once. Leave the input as it is.

# %% tags=["starter"]
def corners_from_xywh(boxes):
    """Corners (N, 4), x0 y0 x1 y1, of boxes given as corner and size; a new array.

    boxes: (N, 4) array, x y width height, px; x y is the top left corner.  N may be 0: then give (0, 4).
    """
    ...


# %% tags=["worked"]
def corners_from_xywh(boxes):
    """Corners (N, 4), x0 y0 x1 y1, of boxes given as corner and size; a new array.

    boxes: (N, 4) array, x y width height, px; x y is the top left corner.  N may be 0: then give (0, 4).
    """
    corners = boxes.copy()
    corners[:, 2:] += boxes[:, :2]
    return corners


# %% tags=["verify"]
verify(corners_from_xywh)

# %% [markdown]
# Stuck? Run `nudge(corners_from_xywh)` in a new cell; each call says a little more.

# %% [markdown]
# ## 2. How much do two boxes overlap?
#
# **Intersection over union**, IoU: the area that both cover, divided by the area that they cover together. 1 for equal boxes, 0 for boxes apart.
#
# **Predict.** Two boxes of 10 × 10 px, the second moved by 5 px to the right *and* 5 px down. Is their IoU 0.50, 0.25 or 0.14?
#
# Do it on paper first: the shared part, both areas, and mind that the shared part is in both.

# %%
a, b = np.array([[0, 0, 10, 10]]), np.array([[5, 5, 15, 15]])
area_a, area_b, shared = boxes.area(a)[0], boxes.area(b)[0], boxes.intersection(a, b)[0, 0]
together = area_a + area_b - shared
print(f"shared {shared:.0f} px², together {area_a:.0f} + {area_b:.0f} - {shared:.0f} = {together:.0f} px²")
print(f"IoU {shared / together:.6f}, and 1/7 is {1 / 7:.6f}")

# %% [markdown]
# **Why.** Half across times half down is a quarter of one box, 25 px². Together they cover 100 + 100 − 25 = 175 px², since the shared part was counted twice. IoU is harder than it feels: moved by half a box in both directions, only a seventh is left.
#
# **Try.** Drag the boxes, or use the keys.
# 1. Put both in one place, then move B sideways only. After how many of its 10 pixels does IoU fall below 0.5?
# 2. Put a 5 × 5 box inside of a 10 × 10 box. Does it matter where inside?
# 3. Pull them apart. Does IoU say how far apart they are?

# %% tags=["explore"]
from robotlab.widgets import TwoBoxes

two = TwoBoxes([10, 6, 20, 16], [15, 11, 25, 21])
two

# %% tags=["still"] picture="two_boxes" alt="Two squares of 10 by 10 pixels on a grid, A with a solid and B with a dashed outline, B moved by 5 pixels to the right and 5 down. The 5 by 5 pixels that they share are hatched: 25 of 175 square pixels, IoU 0.143."
from matplotlib.patches import Rectangle

figure, ax = plt.subplots(figsize=(6, 3.7), layout="constrained")
for (x0, y0, x1, y1), color, dashes, name in zip(two.boxes, ("#0072b2", "#d55e00"), ("-", "--"), "AB"):
    ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=color, alpha=0.12))
    ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, edgecolor=color, linestyle=dashes, linewidth=2))
    ax.text(*((x0 + 0.5, y0 + 1.8) if name == "A" else (x1 - 1.5, y1 - 0.6)), name, color=color, fontsize=13, fontweight="bold")
ax.add_patch(Rectangle((15, 11), 5, 5, fill=False, hatch="////", linewidth=0))
ax.set(xlim=(0, 40), ylim=(24, 0), aspect="equal", xticks=range(0, 41, 10), yticks=range(0, 25, 10), xlabel="x, px", ylabel="y, px")
_ = ax.set_title("shared 25 px², together 175 px², IoU 0.143")

# %% [markdown]
# *Above, as a still for those who have not run the cell.*
#
# **Why.** Sideways, a box of width w moved by s shares (w − s) of (w + s): half is left at s = w / 3, so the fourth pixel of ten is too much. Inside, place does not matter: 25 / 100 everywhere. And apart is 0, near or far.
#
# **Task 2.** Write `iou(a, b)` for two boxes. Boxes apart, and boxes without area, have 0.

# %% tags=["starter"]
def iou(a, b):
    """Intersection over union of two boxes: a number from 0 to 1.

    a, b: (4,) arrays, corners x0 y0 x1 y1, px.  Two boxes without area have 0.
    """
    ...


# %% tags=["worked"]
def iou(a, b):
    """Intersection over union of two boxes: a number from 0 to 1.

    a, b: (4,) arrays, corners x0 y0 x1 y1, px.  Two boxes without area have 0.
    """
    width = max(0.0, min(a[2], b[2]) - max(a[0], b[0]))
    height = max(0.0, min(a[3], b[3]) - max(a[1], b[1]))
    shared = width * height
    together = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - shared
    return shared / together if together > 0 else 0.0


# %% tags=["verify"]
verify(iou)

# %% [markdown]
# `TwoBoxes([10, 6, 20, 16], [15, 11, 25, 21], measure=iou)` shows what *your* function says while you drag.

# %% [markdown]
# ## 3. One pixel
#
# Files in the form of VOC name the first and the **last pixel** of a thing. There a thing one pixel wide goes from 8 to 8, and its width is x1 − x0 **+ 1**. Here, and in COCO, edges are named, and there is no + 1.
#
# **Predict.** Read such a file without adding anything, and every box is one pixel too narrow and one pixel too short. For which post is that worse: the one at 1 m or the one at 6 m? Below an IoU of 0.5 a find does not count. Does one pixel get there?

# %%
from robotlab.camera import pixels_on_target
from robotlab.follow import default_camera

camera = default_camera()
print("distance   post, px        one px short   moved by one px")
for distance_m in (1, 2, 4, 6):
    wide, tall = (pixels_on_target(size_m, distance_m, camera.hfov_rad, camera.width_px) for size_m in (0.07, 0.50))
    true = np.array([[100, 50, 100 + wide, 50 + tall]])
    short, moved = true - [0, 0, 1, 1], true + [1, 0, 1, 0]
    print(f"{distance_m:6.0f} m   {wide:4.1f} × {tall:5.1f} {boxes.iou(true, short)[0, 0]:14.2f} {boxes.iou(true, moved)[0, 0]:15.2f}")

# %% [markdown]
# **Why.** One pixel of 18 is nothing, one pixel of 3 is a third. At 6 m a box that is one pixel beside the post has an IoU of 0.51, and half a pixel more of error makes it a miss. So far things score badly for two reasons: they are hard to see, and IoU forgives them less.
#
# The + 1 may sit in the *measure* as well. The same two boxes as in part 2:

# %%
def iou_with_last_pixels(a, b):
    """IoU of boxes that name their last pixel: the same boxes, one further at the right and below."""
    return boxes.iou(a + [0, 0, 1, 1], b + [0, 0, 1, 1])[0, 0]


a, b = np.array([[0.0, 0, 10, 10]]), np.array([[5.0, 5, 15, 15]])
print(f"edges {boxes.iou(a, b)[0, 0]:.6f}, last pixels {iou_with_last_pixels(a, b):.6f}")

# %% [markdown]
# **Why.** 36 / 206 instead of 25 / 175. Neither is wrong; each is wrong for the other's boxes. When you compare two published figures, ask which measure they used. (There is one more difference: VOC wants an overlap of *more* than 0.5, COCO of 0.5 *or more*.)

# %% [markdown]
# ## 4. Many boxes on one thing
#
# A detector looks everywhere, and everything near the post looks somewhat like a post. Here is the simplest of all: slide windows of the post's proportions over the picture, in ten sizes, and score each by how well it coincides with the orange pixels: orange pixels inside, divided by (area of the window + orange pixels close around it). This is an IoU again, of the window and the mask.
#
# **Predict.** One post, 2 m away. How many windows score 0.4 or more: 1, about 10, about 100, about 1000?

# %%
from robotlab.color import Band
from robotlab.greenhouse import WALKS, Scene, Thing, render

view = render(WALKS["straight"].scene.with_post_at(2.0, 0.1), camera)
orange = Band(hue=(6, 15), saturation=(200, 255), value=(80, 255)).mask(view.picture)
# Sums of all pixels above and to the left: four of them give the sum in any box.
total = np.pad(orange.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))


def pixels_in(windows):
    """How many orange pixels are in each window, cut off at the picture's edge."""
    x0, y0, x1, y1 = boxes.clip(windows, 320, 240).astype(int).T
    return total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]


windows = []
for tall in range(44, 94, 5):
    wide = round(0.14 * tall)
    x, y = np.meshgrid(np.arange(0, 320 - wide + 1), np.arange(0, 240 - tall + 1, 2))
    windows.append(np.column_stack([x.ravel(), y.ravel(), x.ravel() + wide, y.ravel() + tall]))
windows = np.concatenate(windows).astype(float)

inside = pixels_in(windows)
around = pixels_in(windows + [-6, -20, 6, 20]) - inside
scores = inside / (boxes.area(windows) + around)
good = scores >= 0.4
found, found_scores = windows[good], scores[good]
print(f"{len(windows)} windows, {good.sum()} of them score 0.4 or more, the best {found_scores.max():.2f}")

# %% [markdown]
# **Why.** A window one pixel beside the best one is nearly as good. **Suppression** (non-maximum suppression) keeps the best box and drops all that overlap it by more than a limit; then the best of the rest, and so on.
#
# **Predict.** With a limit of 0.5, how many boxes are left? And with 0.9?

# %%
kept = {limit: boxes.suppress(found, found_scores, iou_limit=limit) for limit in (0.1, 0.3, 0.5, 0.7, 0.9)}
for limit, rows in kept.items():
    print(f"limit {limit}: {len(rows):3d} left")
best = found[kept[0.5][0]]
print(f"the best: {best.tolist()}, IoU with the true box {boxes.iou([best], view.truths.boxes[:1])[0, 0]:.2f}")

# %% tags=["nbval-ignore-output"]
figure, axes = plt.subplots(1, 3, figsize=(9, 3.6), layout="constrained")
left, top, right, bottom = (view.truths.boxes[0] + [-45, -30, 45, 30]).round().astype(int)
for ax, rows, title in zip(axes, (range(len(found)), kept[0.5], kept[0.3]), (f"all {len(found)}", f"limit 0.5: {len(kept[0.5])}", f"limit 0.3: {len(kept[0.3])}")):
    ax.imshow(view.picture, extent=(0, 320, 240, 0))
    for x0, y0, x1, y1 in found[list(rows)]:
        for color, width in (("black", 2.2), ("white", 0.9)):
            ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=color, linewidth=width)
    _ = ax.set(xlim=(left, right), ylim=(bottom, top), title=title)
    ax.set_axis_off()

# %% [markdown]
# **Why.** At 0.5, 14 of 1121 are left. They are windows of other sizes, higher, lower or beside the post, and each shares too little with every better one to be dropped. At 0.3 the best alone is left. At 0.9 a box hardly different from the best stays. So why not always take 0.1?
#
# **Task 3.** Write `suppress(boxes, scores, iou_limit)`; your `iou` will help. A box goes only when its IoU with a kept one *exceeds* the limit, and a dropped box drops nobody.

# %% tags=["starter"]
def suppress(boxes, scores, iou_limit):
    """Places of the boxes that stay, best score first: an array of int.

    boxes: (N, 4) array of corners x0 y0 x1 y1, px.  scores: (N,) array.
    A box goes when its IoU with a better one that stays exceeds iou_limit.  Equal scores keep their order.
    """
    ...


# %% tags=["worked"]
def suppress(boxes, scores, iou_limit):
    """Places of the boxes that stay, best score first: an array of int.

    boxes: (N, 4) array of corners x0 y0 x1 y1, px.  scores: (N,) array.
    A box goes when its IoU with a better one that stays exceeds iou_limit.  Equal scores keep their order.
    """
    kept = []
    for place in np.argsort(-scores, kind="stable"):
        if all(iou(boxes[place], boxes[other]) <= iou_limit for other in kept):
            kept.append(place)
    return np.array(kept, int)


# %% tags=["verify"]
verify(suppress)

# %% [markdown]
# ## 5. Class by class, and what suppression cannot know
#
# Now with *perfect* boxes, the true ones. On the left a bucket stands in front of a crate; on the right one bucket in front of another.
#
# **Predict.** Four things, four perfect boxes, a limit of 0.5. How many are left?

# %%
scene = Scene(
    (
        Thing("crate", 2.3, 0.45, 1.571), Thing("bucket", 1.9, 0.37),
        Thing("bucket", 2.1, -0.42), Thing("bucket", 1.9, -0.34), Thing("post", 6.0, 0.0),
    ),
    seed=4,
)  # fmt: skip
crowd = render(scene, camera)
near = crowd.truths.distance_m < 3
true, labels = crowd.truths.whole_boxes[near], crowd.truths.labels[near]
names = [crowd.truths.classes[label] for label in labels]
sure = np.linspace(0.9, 0.6, len(true))
print("the things: " + ", ".join(names))
print(f"IoU: the crate and its bucket {boxes.iou(true[:1], true[1:2])[0, 0]:.2f}, the two buckets {boxes.iou(true[2:3], true[3:4])[0, 0]:.2f}")
for title, groups in (("all together", None), ("class by class", labels)):
    rows = boxes.suppress(true, sure, 0.5, groups)
    print(f"{title:<15} {len(rows)} left: " + ", ".join(names[row] for row in sorted(rows)))

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6, 3.2), layout="constrained")
ax.imshow(crowd.picture, extent=(0, 320, 240, 0))
for (x0, y0, x1, y1), name in zip(true, names):
    dashes = {"crate": "--", "bucket": "-"}[name]
    ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color="black", linewidth=3)
    ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], dashes, color="white", linewidth=1.5)
_ = ax.set(xlim=(60, 260), ylim=(190, 90), title="true boxes: crate dashed, buckets solid (rendered)")
ax.set_axis_off()

# %% [markdown]
# **Why.** All together, the surer box of each pair drops the other: two things of four are gone, although every box was perfect. Class by class, a crate and a bucket no longer compete, and the crate's bucket is back. The second pair stays lost: two boxes of one class with an IoU of 0.68 look just like two boxes on one bucket. A limit of 0.7 would save it, and would leave 61 boxes on the post of part 4. There is no right limit, only a choice that you make for your scene: low where things stand apart, higher where they crowd.
#
# `robotlab.boxes.suppress` takes labels for this, and is faster than the plain loop of task 3. Both give the same rows:

# %%
from robotlab.boxes_clear import suppress_clear

rng = np.random.default_rng(5)
corner = rng.uniform(0, 250, (600, 2))
many = np.column_stack([corner, corner + rng.uniform(10, 60, (600, 2))])
many_scores, many_labels = rng.random(600), rng.integers(0, 3, 600)
same = np.array_equal(boxes.suppress(many, many_scores, 0.3, many_labels), suppress_clear(many, many_scores, 0.3, many_labels))
print(f"600 random boxes of three classes: {'the same rows' if same else 'different rows'}")

# %% [markdown]
# ## On your own pictures
#
# How well do *you* draw a box? Put a photograph into a folder `my_pictures` beside this notebook. Drag A onto an object, as well as you can. Then let a friend, who does not look at A, drag B. Their IoU is the best that any detector can be asked for on this object.

# %% tags=["explore"]
from pathlib import Path

from IPython.display import display

from robotlab.picture import load, resize

paths = sorted(path for path in Path("my_pictures").glob("*") if path.suffix.lower() in (".jpg", ".jpeg", ".png"))[:1]
if paths:
    display(TwoBoxes([40, 40, 120, 160], [200, 40, 280, 160], picture=resize(load(paths[0]), (320, 240))))
else:
    print("no pictures yet: make a folder my_pictures beside this notebook and put a photograph into it")

# %% [markdown]
# - Do it again with the object twice as far away. What happens to the IoU of two honest people?
# - Print the first five boxes of any data set that you download, and draw them, before you train on it.

# %% [markdown]
# ## What to remember
#
# - Four numbers are not a box until someone says which form they are in. Name both ends of each conversion.
# - IoU = shared / (a + b − shared). Half a box aside in both directions is 1/7, not 1/2.
# - One pixel is nothing for a near thing and a third for a far one.
# - Edges or last pixels, more than 0.5 or at least 0.5: ask before you compare figures.
# - Suppression keeps the best of a heap, class by class. It cannot tell two things in one place from two boxes on one thing.
#
# ## Sources
#
# - IoU: P. Jaccard, 1912, for sets; in detection since M. Everingham et al., *The Pascal Visual Object Classes (VOC) Challenge*, IJCV 88:303-338, 2010.
# - The form x, y, width, height: T.-Y. Lin et al., *Microsoft COCO*, ECCV 2014, arXiv:1405.0312.
# - Sums of all pixels above and to the left: F. Crow, *Summed-area tables for texture mapping*, SIGGRAPH 1984 (cited from memory).
