# %% [markdown]
# # Lesson 05: boxes
#
# **What you will have** at the end: three small functions of your own: one that converts boxes, one that measures their overlap, and one that removes duplicates. Every detector in this course, and every number in lesson 08, rests on these three.
#
# **You will be able to**
# - tell four ways of writing a box apart, and notice when one was read as another;
# - work out the IoU of two boxes by hand, and judge what 0.5 means for a large and for a small object;
# - say what adding 1 to a width does, and to whom it matters;
# - keep one box of the many that lie on one object, and know when this drops an object that was really there.
#
# **Time**: 70 minutes. **Needs**: lessons 00 and 03 (masks, hue).
#
# **Cautions**: nothing moves here. But a box read in the wrong format steers a trolley to the wrong place with no error message at all. All pictures are rendered.

# %% [markdown]
# ## 1. Four numbers, four meanings
#
# An upright rectangle around an object is its **bounding box**. In this library it is `x0, y0, x1, y1`: its left, upper, right and lower edge, in px, x to the right and y down. These are two opposite corners, the **corner format** (xyxy). Other files hold the upper left corner and a size, `x, y, width, height` (xywh; COCO files do). Others hold the middle and a size, the **center format** (cxcywh).
#
# **Predict.** Somebody hands you the box `60, 40, 100, 80` and does not say which format it is in. By how much do the three readings differ in area: not at all, by half, by a factor of five?

# %% tags=["folded"]
from robotlab.practice import guess

guess(
    "05.area",
    "By how much do the three readings differ in area?",
    choices=("not at all", "by half", "by a factor of five"),
)

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab import boxes
from robotlab.practice import compare_guess, nudge, verify

numbers = [[60, 40, 100, 80]]
readings = {
    "corners": np.array(numbers, float),
    "x y width height": boxes.corners_from_xywh(numbers),
    "center and size": boxes.corners_from_center(numbers),
}
for name, box in readings.items():
    print(f"{name:<17} edges {box[0].tolist()}, area {boxes.area(box)[0]:5.0f} px²")
areas = [boxes.area(box)[0] for box in readings.values()]
compare_guess("05.area", f"by a factor of {max(areas) / min(areas):.0f}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(5.2, 4), layout="constrained")
looks = (
    {"color": "#0072b2"},
    {"color": "#d55e00", "ls": "--"},
    {"color": "#222222", "ls": ":"},
)
for (name, box), look in zip(readings.items(), looks):
    x0, y0, x1, y1 = box[0]
    x, y = [x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0]
    ax.plot(x, y, linewidth=2, label=name, **look)
ax.set(xlim=(0, 200), ylim=(195, -10), aspect="equal", xlabel="x, px", ylabel="y, px")
ax.set_title("60, 40, 100, 80, read in three ways")
ax.legend(frameon=False, fontsize=9, loc="lower right")
plt.show()

# %% [markdown]
# **Why.** 40 × 40 is 1600 px² and 100 × 80 is 8000 px². Two readings even have the same size, in different places: an area alone does not tell them apart.
#
# The fourth way: divide x and width by the picture's width, y and height by its height. All numbers then lie between 0 and 1, whatever the resolution: **normalized coordinates**. Many label files with one text line for each object hold the center format in this way. Here is one box in all four, in a picture of 320 × 240:

# %%
one = np.array([[60.0, 40.0, 100.0, 80.0]])
middle, size = (one[:, :2] + one[:, 2:]) / 2, one[:, 2:] - one[:, :2]
centered = np.hstack([middle, size])
print("corners          ", one[0].tolist())
print("x y width height ", boxes.xywh_from_corners(one)[0].tolist())
print("center and size  ", centered[0].tolist())
print("normalized center", (centered / [320, 240, 320, 240])[0].round(4).tolist())

# %% [markdown]
# Numbers below 1 give the normalized form away, and to read it you must know the size of the picture.
#
# Does a program at least notice a wrong format? The course's data set is written as COCO files are. We read its labels as if they were corners, and real corners as if they were sizes.
#
# **Predict.** A check that every box has x0 ≤ x1 and y0 ≤ y1: which of the two mistakes does it notice?

# %% tags=["folded"]
# Your guess
guess(
    "05.check",
    "Which mistake does the check notice?",
    choices=("sizes read as corners", "corners read as sizes", "both", "neither"),
)

# %%
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.errors import BoxError

data = open_dataset(shipped("datasets/greenhouse"))
corners = np.concatenate([entry.boxes for entry in data.pictures])
sizes = boxes.xywh_from_corners(corners)


def refused(read):
    """How many boxes the library rejects."""
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
for name, count in (("sizes as corners", as_corners), ("corners as sizes", as_sizes)):
    print(f"{name}: {count} rejected, {len(corners) - count} go through unnoticed")
compare_guess(
    "05.check", "sizes read as corners" if as_corners > as_sizes else "the other"
)

# %% [markdown]
# **Why.** A size read as a corner mostly lies left of the first corner, which is impossible, so it is noticed; near the upper left of the picture it is not. A corner read as a size is a large positive number, and always possible. No check finds it. Name both formats in the name of each conversion (`corners_from_xywh`), and look at the first picture with its boxes drawn.
#
# Two more conventions to know:
# - x comes first in a box, the row comes first in an array: the pixels of a box are `picture[y0:y1, x0:x1]`.
# - This library counts edges, not pixels. The first pixel of a picture has the box `0, 0, 1, 1`, and its middle is at (0.5, 0.5).

# %%
mask = np.zeros((8, 12), bool)
mask[2:5, 3:9] = True
rows, columns = np.nonzero(mask)
box = np.array([[columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]], float)
print(f"rows 2 to 4, columns 3 to 8: box {box[0].tolist()}")
print(f"area {boxes.area(box)[0]:.0f} px², pixels in the mask {mask.sum()}")

# %% [markdown]
# **Task 1.** Write `corners_from_xywh(boxes)`, for N boxes at once. Leave the input as it is.


# %% tags=["starter"]
def corners_from_xywh(boxes):
    """Corners (N, 4), x0 y0 x1 y1, of boxes given as corner and size; a new array.

    boxes: (N, 4) array, x y width height, px; x y is the top left corner.
    N may be 0: then give (0, 4).
    """
    ...


# %% tags=["worked"]
def corners_from_xywh(boxes):
    """Corners (N, 4), x0 y0 x1 y1, of boxes given as corner and size; a new array.

    boxes: (N, 4) array, x y width height, px; x y is the top left corner.
    N may be 0: then give (0, 4).
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
# Take the area that both boxes cover, their *intersection*, and divide it by the area that they cover together, their *union*: the **intersection over union** (IoU). It is 1 for equal boxes and 0 for boxes apart.
#
# $$\text{IoU}(A, B) = \frac{|A \cap B|}{|A \cup B|} = \frac{|A \cap B|}{|A| + |B| - |A \cap B|}$$
#
# With it a detector is judged: a detection whose IoU with the **ground truth** is 0.5 or more is a **true positive** (TP); one that matches no true box is a **false positive** (FP); a true box that nothing matches is a **false negative** (FN).

# %% tags=["folded", "nbval-ignore-output"]
from robotlab.course import draw_overlap

figure, ax = plt.subplots(figsize=(5, 3.4), layout="constrained")
draw_overlap(ax, [0, 0, 20, 14], [12, 4, 30, 18])
ax.set_title("intersection hatched, union gray")
plt.show()

# %% [markdown]
# **Predict.** Two boxes of 10 × 10 px, the second moved by 5 px to the right *and* 5 px down. Is their IoU 0.50, 0.25 or 0.14?
#
# Do it on paper first: the intersection, both areas, and remember that the intersection is part of both.

# %% tags=["folded"]
# Your guess
guess("05.iou", "Their IoU?", choices=("0.50", "0.25", "0.14"))

# %%
a, b = np.array([[0, 0, 10, 10]]), np.array([[5, 5, 15, 15]])
area_a, area_b = boxes.area(a)[0], boxes.area(b)[0]
shared = boxes.intersection(a, b)[0, 0]
together = area_a + area_b - shared
print(f"intersection {shared:.0f} px²")
print(f"union {area_a:.0f} + {area_b:.0f} - {shared:.0f} = {together:.0f} px²")
print(f"IoU {shared / together:.6f}, and 1/7 is {1 / 7:.6f}")
compare_guess("05.iou", f"{shared / together:.2f}")

# %% [markdown]
# **Why.** Half across times half down is a quarter of one box, 25 px². The union is 100 + 100 − 25 = 175 px², since the intersection was counted twice. IoU is stricter than it feels: moved by half a box in both directions, only a seventh is left.
#
# **Try.** Drag the boxes, or use the keys.
# 1. Put both in one place, then move B sideways only. After how many of its 10 pixels does IoU fall below 0.5?
# 2. Put a 5 × 5 box inside a 10 × 10 box. Does it matter where inside?
# 3. Pull them apart. Does IoU say how far apart they are?

# %% tags=["explore"]
from robotlab.widgets import TwoBoxes

two = TwoBoxes([10, 6, 20, 16], [15, 11, 25, 21])
two

# %% tags=["still"] picture="two_boxes" alt="Two squares of 10 by 10 pixels, A with a solid and B with a dashed outline, B moved to the right by 3 pixels. What both cover is hatched, what they cover together is gray."
figure, ax = plt.subplots(figsize=(6, 3.7), layout="constrained")
draw_overlap(ax, [10, 6, 20, 16], [13, 6, 23, 16])
plt.show()

# %% [markdown]
# **Why.** Sideways, a box of width w moved by s has an IoU of (w − s) / (w + s): one half at s = w / 3, so the fourth pixel of ten is too much. Inside, the place does not matter: 25 / 100 everywhere. And apart is 0, near or far.
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
# VOC files name the first and the *last pixel* of an object. There an object one pixel wide goes from 8 to 8, and its width is xmax − xmin + 1. And they count pixels *from 1*: the first column of the picture is number 1. Here, and in COCO files, edges are named and counted from 0, and there is no + 1. So an exact conversion is x0 = xmin − 1, x1 = xmax, and the same for y. (`robotlab.data.corners_from_voc` does this, and `robotlab.data.open_voc` opens a folder of such files.)
#
# **Predict.** Use the four numbers of such a file as they are, and the left and the upper edge of every box lie one pixel too far in: it is one pixel too narrow and one too short. For which post is that worse: the one at 1 m or the one at 6 m? Below an IoU of 0.5 a detection does not count as a true positive. Can one pixel do that?

# %% tags=["folded"]
# Your guess
guess(
    "05.one_pixel",
    "For which post is one pixel worse, and can it make a detection false?",
)

# %%
from IPython.display import display

from robotlab.camera import pixels_on_target
from robotlab.course import Table
from robotlab.loop import default_camera

camera = default_camera()
rows = []
for distance_m in (1, 2, 4, 6):
    view = (distance_m, camera.hfov_rad, camera.width_px)
    wide, tall = pixels_on_target(0.07, *view), pixels_on_target(0.50, *view)
    true = np.array([[100, 50, 100 + wide, 50 + tall]])
    short, moved = true + [1, 1, 0, 0], true + [1, 0, 1, 0]
    short_iou, moved_iou = boxes.iou(true, short)[0, 0], boxes.iou(true, moved)[0, 0]
    size = f"{wide:.1f} × {tall:.1f}"
    rows.append([f"{distance_m} m", size, f"{short_iou:.2f}", f"{moved_iou:.2f}"])
heads = ["distance", "post, px", "IoU, one px short", "IoU, moved by one px"]
display(Table(heads, rows))
compare_guess(
    "05.one_pixel", f"the one at {distance_m} m: IoU {short_iou:.2f} or {moved_iou:.2f}"
)

# %% [markdown]
# **Why.** One pixel of 19 is nothing; one pixel of 3 is a third. At 6 m a box that is shifted by one pixel has an IoU of 0.51, and half a pixel more of error makes it a false positive, and the post a false negative. So far objects score badly for two reasons: they are hard to see, and IoU forgives them less.
#
# The + 1 may be in the *measure* as well. The same two boxes as in part 2:


# %%
def iou_with_last_pixels(a, b):
    """IoU of boxes that name their last pixel: one farther at the right and below."""
    return boxes.iou(a + [0, 0, 1, 1], b + [0, 0, 1, 1])[0, 0]


a, b = np.array([[0.0, 0, 10, 10]]), np.array([[5.0, 5, 15, 15]])
print(f"edges       {boxes.iou(a, b)[0, 0]:.6f}")
print(f"last pixels {iou_with_last_pixels(a, b):.6f}")

# %% [markdown]
# **Why.** 36 / 206 instead of 25 / 175. Neither is wrong; each is wrong for the other's boxes. When you compare two published results, ask which measure they used. (There is one more difference: for a true positive VOC wants an IoU of *more* than 0.5, COCO of 0.5 *or more*.)

# %% [markdown]
# ## 4. Many boxes on one object
#
# A detector looks everywhere, and everything near the post looks somewhat like a post. Here is a very simple detector, a sliding window with the aspect ratio of the post, in ten sizes. Each window is scored by how well it coincides with the orange pixels: orange pixels inside, divided by (area of the window + orange pixels close around it). This is an IoU again, of the window and the mask. A method so simple that any other must beat it is a **baseline**.
#
# **Predict.** One post, 2 m away. How many windows score 0.4 or more: 1, about 10, about 100, about 1000?

# %% tags=["folded"]
# Your guess
guess("05.windows", "How many windows score 0.4 or more?", choices=(1, 10, 100, 1000))

# %%
from robotlab.color import Band
from robotlab.greenhouse import WALKS, Scene, Thing, render

view = render(WALKS["straight"].scene.with_post_at(2.0, 0.1), camera)
orange = Band(hue=(6, 15), saturation=(200, 255), value=(80, 255)).mask(view.picture)
# Sums of all pixels above and to the left, an integral image: four of them give the
# sum in any box.
total = np.pad(orange.cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))


def pixels_in(windows):
    """How many orange pixels are in each window, cut off at the picture's edge."""
    x0, y0, x1, y1 = boxes.clip(windows, 320, 240).astype(int).T
    return total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]


windows = []
for tall in range(44, 94, 5):
    wide = round(0.14 * tall)
    x, y = np.meshgrid(np.arange(0, 320 - wide + 1), np.arange(0, 240 - tall + 1, 2))
    corner = np.column_stack([x.ravel(), y.ravel()])
    windows.append(np.hstack([corner, corner + [wide, tall]]))
windows = np.concatenate(windows).astype(float)

inside = pixels_in(windows)
around = pixels_in(windows + [-6, -20, 6, 20]) - inside
scores = inside / (boxes.area(windows) + around)
good = scores >= 0.4
found, found_scores = windows[good], scores[good]
print(f"{len(windows)} windows, {good.sum()} of them score 0.4 or more")
print(f"the best scores {found_scores.max():.2f}")
compare_guess("05.windows", good.sum())

# %% [markdown]
# **Why.** A window one pixel beside the best one is nearly as good. So one keeps the box with the highest score and drops all boxes whose IoU with it exceeds a threshold; then the best of the rest, and so on. This is **non-maximum suppression** (NMS).
#
# **Predict.** With an IoU threshold of 0.5, how many boxes are left? And with 0.9?

# %% tags=["folded"]
# Your guess
guess("05.left", "How many are left at 0.5, and at 0.9?")

# %%
kept = {}
for limit in (0.1, 0.3, 0.5, 0.7, 0.9):
    kept[limit] = boxes.nms(found, found_scores, iou_limit=limit)
    print(f"threshold {limit}: {len(kept[limit]):3d} left")
best = found[kept[0.5][0]]
best_iou = boxes.iou([best], view.truths.boxes[:1])[0, 0]
print(f"the best: {best.tolist()}, IoU with the ground truth {best_iou:.2f}")
compare_guess("05.left", f"{len(kept[0.5])} and {len(kept[0.9])}")

# %% tags=["folded", "nbval-ignore-output"]
# A drawing
from matplotlib.collections import PolyCollection

figure, axes = plt.subplots(1, 3, figsize=(7.4, 3.2), layout="constrained")
around_post = view.truths.boxes[0] + [-45, -30, 45, 30]
left, top, right, bottom = around_post.round().astype(int)
shown = {
    f"all {len(found)}": range(len(found)),
    f"threshold 0.5: {len(kept[0.5])}": kept[0.5],
    f"threshold 0.3: {len(kept[0.3])}": kept[0.3],
}
for ax, (title, rows) in zip(axes, shown.items()):
    ax.imshow(view.picture, extent=(0, 320, 240, 0))
    # All at once: a thousand separate lines would take seconds. Each box is
    # drawn twice, white on black, and so seen on any color.
    corners = found[list(rows)][:, [[0, 1], [2, 1], [2, 3], [0, 3]]]
    outlines = PolyCollection(
        np.repeat(corners, 2, axis=0),
        facecolors="none",
        edgecolors=["black", "white"],
        linewidths=[2.2, 0.9],
    )
    ax.add_collection(outlines)
    ax.set(xlim=(left, right), ylim=(bottom, top), title=title)
    ax.set_axis_off()

# %% [markdown]
# **Why.** At 0.5, 14 of 1121 are left. They are windows of other sizes, higher, lower or beside the post, and each overlaps every better one too little to be dropped. At 0.3 the best alone is left. At 0.9 a box hardly different from the best stays. So why not always take 0.1?
#
# **Task 3.** Write NMS: `nms(boxes, scores, iou_limit)`; your `iou` will help. A box goes only when its IoU with a kept one *exceeds* the threshold, and a box that was dropped drops no other.


# %% tags=["starter"]
def nms(boxes, scores, iou_limit):
    """Non-maximum suppression: indices of the boxes that stay, best score first.

    boxes: (N, 4) array of corners x0 y0 x1 y1, px.  scores: (N,) array.
    A box goes when its IoU with a better one that stays exceeds iou_limit.
    Equal scores keep their order.  The result is an array of int.
    """
    ...


# %% tags=["worked"]
def nms(boxes, scores, iou_limit):
    """Non-maximum suppression: indices of the boxes that stay, best score first.

    boxes: (N, 4) array of corners x0 y0 x1 y1, px.  scores: (N,) array.
    A box goes when its IoU with a better one that stays exceeds iou_limit.
    Equal scores keep their order.  The result is an array of int.
    """
    kept = []
    for place in np.argsort(-scores, kind="stable"):
        if all(iou(boxes[place], boxes[other]) <= iou_limit for other in kept):
            kept.append(place)
    return np.array(kept, int)


# %% tags=["verify"]
verify(nms)

# %% [markdown]
# ## 5. Class by class, and what NMS cannot know
#
# Now with *perfect* boxes, the ground truth. On the left a bucket stands in front of a crate; on the right one bucket in front of another. What stands in front hides a part of what is behind: **occlusion**.
#
# **Predict.** Four objects, four perfect boxes, an IoU threshold of 0.5. How many are left?

# %% tags=["folded"]
# Your guess
guess("05.perfect", "How many of the four are left?", choices=(4, 3, 2, 1))

# %%
scene = Scene(
    (
        Thing("crate", 2.3, 0.45, 1.571),
        Thing("bucket", 1.9, 0.37),
        Thing("bucket", 2.1, -0.42),
        Thing("bucket", 1.9, -0.34),
        Thing("post", 6.0, 0.0),
    ),
    seed=4,
)
crowd = render(scene, camera)
near = crowd.truths.distance_m < 3
true, labels = crowd.truths.whole_boxes[near], crowd.truths.labels[near]
names = [crowd.truths.classes[label] for label in labels]
sure = np.linspace(0.9, 0.6, len(true))
overlaps = boxes.iou(true, true)
print("the objects: " + ", ".join(names))
print(f"IoU of the crate and its bucket {overlaps[0, 1]:.2f}")
print(f"IoU of the two buckets {overlaps[2, 3]:.2f}")
for title, groups in (("all together", None), ("class by class", labels)):
    rows = boxes.nms(true, sure, 0.5, groups)
    left = [names[row] for row in sorted(rows)]
    print(f"{title:<15} {len(rows)} left: {', '.join(left)}")
left = [len(boxes.nms(true, sure, 0.5, groups)) for groups in (None, labels)]
compare_guess("05.perfect", f"{left[0]} all together, {left[1]} class by class")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6, 3.2), layout="constrained")
ax.imshow(crowd.picture, extent=(0, 320, 240, 0))
for (x0, y0, x1, y1), name in zip(true, names):
    dashes = {"crate": "--", "bucket": "-"}[name]
    x, y = [x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0]
    ax.plot(x, y, color="black", linewidth=3)
    ax.plot(x, y, dashes, color="white", linewidth=1.5)
ax.set(xlim=(60, 260), ylim=(190, 90))
ax.set_title("true boxes: crate dashed, buckets solid (rendered)")
ax.set_axis_off()

# %% [markdown]
# **Why.** All together (**class-agnostic NMS**), the box with the higher score of each pair drops the other: two objects of four are gone, although every box was perfect. Class by class (**class-aware NMS**), a crate and a bucket no longer compete, and the crate's bucket is back. The second pair stays lost: two boxes of one class with an IoU of 0.68 look just like two boxes on one bucket. A threshold of 0.7 would save it, and would leave 61 boxes on the post of part 4. There is no right threshold, only a choice that you make for your scene: low where objects stand apart, higher where they crowd.
#
# `robotlab.boxes.nms` takes labels for this, and is faster than the plain loop of task 3. Both give the same rows:

# %%
from robotlab.boxes import nms_reference

rng = np.random.default_rng(5)
corner = rng.uniform(0, 250, (600, 2))
many = np.column_stack([corner, corner + rng.uniform(10, 60, (600, 2))])
many_scores, many_labels = rng.random(600), rng.integers(0, 3, 600)
fast = boxes.nms(many, many_scores, 0.3, many_labels)
plain = nms_reference(many, many_scores, 0.3, many_labels)
same = np.array_equal(fast, plain)
print(f"600 random boxes, three classes: {'the same' if same else 'different'} rows")

# %% [markdown]
# ## On your own pictures
#
# How well do *you* draw a box? Put a photograph into a folder `my_pictures` beside this notebook; portrait or landscape, it keeps its aspect ratio. Drag A onto an object, as well as you can. Then let a friend, who does not look at A, drag B. Their IoU says how far two careful labels agree (the **inter-annotator agreement**), and no detector can be asked for much more on this object.

# %% tags=["explore"]
from pathlib import Path

from IPython.display import display

from robotlab.image import load, resize

paths = sorted(Path("my_pictures").glob("[!.]*"))
if paths:
    large = load(paths[0])
    height, width = large.shape[:2]
    factor = 320 / max(height, width)
    wide, tall = round(width * factor), round(height * factor)
    first = np.array([0.1, 0.2, 0.4, 0.7]) * [wide, tall, wide, tall]
    second = np.array([0.6, 0.2, 0.9, 0.7]) * [wide, tall, wide, tall]
    display(TwoBoxes(first, second, picture=resize(large, (wide, tall))))
else:
    print("no pictures yet: make a folder my_pictures beside this notebook,")
    print("put a photograph into it, and run this cell again")

# %% [markdown]
# - Do it again with the object twice as far away. What happens to the IoU of two careful people?
# - Print the first five boxes of any data set that you download, and draw them, before you train on it.

# %% [markdown]
# ## What to remember
#
# - Four numbers are not a bounding box until someone says which format they are in: corners, corner and size, center, normalized or not. Name both formats of each conversion.
# - IoU = intersection / (a + b − intersection). Half a box off in both directions is 1/7, not 1/2.
# - One pixel is nothing for a near object and a third of a far one.
# - Edges or last pixels, from 0 or from 1, more than 0.5 or at least 0.5: ask before you compare results.
# - NMS keeps the best box of a cluster, class by class. It cannot tell two objects in one place from two boxes on one object.
#
# On your own robot you can now:
# - read a label file of any of the usual formats, and notice when one was read as another;
# - say how well a box fits, and how much one pixel costs a far object;
# - choose an IoU threshold for NMS that suits your scene.
#
# ### Check your understanding
#
# 1. A COCO-style label says `10, 20, 30, 40`. What are the corners of its box?
# 2. Two boxes of 10 × 10 px, one moved by 5 px sideways only. What is their IoU?
# 3. A VOC file says xmin 1, ymin 1, xmax 10, ymax 5. What is the box in edges, counted from 0?
# 4. Your detector puts three boxes on one post. Do you lower or raise the IoU threshold of NMS?
# 5. Two buckets stand close together, and only one box is left. What happened, and what does raising the threshold cost?
#
# <details><summary>Answers</summary>
#
# 1. 10, 20, 40, 60.
# 2. 50 / 150 = 1/3.
# 3. 0, 0, 10, 5.
# 4. You lower it, so that boxes with less overlap are dropped as well.
# 5. NMS took the second box for a duplicate, since their IoU exceeds the threshold. With a higher one, real duplicates stay too.
#
# </details>
#
# Next: [lesson 06](06_gather_and_label.ipynb), gather and label.
#
# ## Sources
#
# - IoU: P. Jaccard, 1912, for sets; in detection since M. Everingham et al., *The Pascal Visual Object Classes (VOC) Challenge*, IJCV 88:303-338, 2010.
# - The format x, y, width, height: T.-Y. Lin et al., *Microsoft COCO*, ECCV 2014, arXiv:1405.0312.
# - Non-maximum suppression, greedy and by IoU: P. F. Felzenszwalb et al., *Object Detection with Discriminatively Trained Part-Based Models*, IEEE Trans. PAMI 32:1627-1645, 2010 (cited from memory).
# - Integral image: F. Crow, *Summed-area tables for texture mapping*, SIGGRAPH 1984 (cited from memory).
