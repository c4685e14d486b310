# %% [markdown]
# # Lesson 03: follow a color
#
# **What you will have** at the end: a color detector that you can explain to the last pixel, a table of the lighting in which it finds the post, and a repair for each kind of lighting where there is one.
#
# **You will be able to**
# - turn a pixel into hue, saturation and value, and tell three scales of hue apart;
# - go from a picture to a mask, from a mask to connected components, and from there to a place;
# - learn color thresholds from three boxes;
# - say before you drive which lighting and which neighbors break it, and why;
# - repair what can be repaired, and recognize when color is the wrong tool.
#
# **Time**: 85 minutes; parts 1 to 4 make a first sitting. **Needs**: lessons 00 and 01 (a picture is an array of height × width × 3 bytes: red, green, blue).
#
# **Cautions**: nothing moves here. Keep one thing in mind for later: a detector that is *sure of the wrong thing* drives a trolley there. This lesson makes that happen on paper, where it costs nothing. All pictures are rendered.

# %% [markdown]
# ## 1. What is orange, in numbers?
#
# **Predict.** We take the same picture three times, with half, with all and with twice the light. Of the red, green and blue of one pixel on the post, does any stay the same?

# %% tags=["folded"]
from robotlab.practice import guess

guess(
    "03.exposure",
    "Does red, green or blue stay the same?",
    choices=("red", "green", "blue", "none of them"),
)

# %%
import matplotlib.pyplot as plt
import numpy as np
from IPython.display import display

from robotlab.color import hsv
from robotlab.course import Table
from robotlab.greenhouse import LIGHTINGS, WALKS, render
from robotlab.loop import default_camera
from robotlab.practice import compare_guess, nudge, verify

camera = default_camera()
clear = WALKS["straight"].scene
post_ahead = clear.with_post_at(1.5, 0.0)

rows, pixels = [], []
for light in (0.5, 1.0, 2.0):
    picture = render(post_ahead, camera, exposure=light, noise=0.0).picture
    pixels.append(picture[120, 160])
    rows.append([f"{light:.1f}", *picture[120, 160], *hsv(picture)[120, 160]])
heads = ["light", "red", "green", "blue", "hue", "saturation", "value"]
display(Table(heads, rows))
same = np.ptp(pixels, axis=0) == 0
names = [name for name, one in zip(("red", "green", "blue"), same) if one]
compare_guess("03.exposure", ", ".join(names) or "none of them")

# %% [markdown]
# **Why.** Red, green and blue all grow with the light. Their *ratios* change far less, and three numbers made of ratios tell the color almost without the brightness. With V the largest of the three channels, m the smallest and C = V − m:
#
# - how bright: the **value** V, 0 to 255;
# - how far from gray: the **saturation**, 255 · C / V, 0 to 255;
# - which color: the **hue**, an angle on a circle. Where red is the largest channel it is 60° · (G − B) / C; green stands at 120°, blue at 240°, and 360° is red again.
#
# $$\begin{aligned} C &= \max(R, G, B) - \min(R, G, B) \\ S &= 255 \cdot C / V \\ H &= 60^\circ \cdot (G - B) / C \end{aligned}$$
#
# Together they are **HSV**. Multiply all three channels by one number and it cancels in (G − B) / C and in C / V. What changes is V. With a real camera this holds only roughly, because of its gamma (lesson 01): from half to twice the light, blue goes from 0.03 to 0.07 of red, and the saturation from 247 to 238. The hue stays. Near black, and where a channel is clipped at 255, the rule fails.
#
# A byte ends at 255, so it cannot hold 360 degrees. Programs get around that in different ways.
#
# **Predict.** Pure green is 120°. What is its hue in this library, where one step is two degrees? And the hue of orange, (255, 165, 0)?

# %% tags=["folded"]
# Your guess
guess("03.hue_steps", "The hue of green, and of orange, in steps of two degrees?")

# %%
import colorsys

steps = []
for name, color in (("green", (0, 255, 0)), ("orange", (255, 165, 0))):
    turn = colorsys.rgb_to_hsv(*(channel / 255 for channel in color))[0]
    step = hsv(np.array([[color]], np.uint8))[0, 0, 0]
    steps.append(str(step))
    print(f"{name:<7} {turn:.4f} of the circle, {360 * turn:6.2f} degrees, step {step}")
compare_guess("03.hue_steps", " and ".join(steps))

# %% [markdown]
# **Why.** 120° / 2 is 60; 38.82° / 2 is 19.4, and a byte has no fraction. Other libraries spread the circle over 0 to 255 (green is 85 there) or over 0 to 1. A range of hues from one scale, used on another, finds nothing, and nothing warns you. It is the most common mistake with color detectors: write the scale beside the number.
#
# A number that decides what counts and what does not is a **threshold**. Here six of them bound a band of colors: hue from … to …, saturation from … to …, value from … to …. The answer for each pixel, an array of true and false, is a **mask**. Making a mask in this way is called *thresholding*.
#
# **Task 1.** Write `in_band(hue, low, high)`. Hues 0 to 179; both thresholds belong to the band; 179 and 0 are neighbors, so a band may go through red, from 170 to 8 for example.


# %% tags=["starter"]
def in_band(hue, low, high):
    """Mask (H, W) of bool: which pixels have a hue from low to high, both included.

    hue: (H, W) array of uint8, 0 to 179, two degrees a step.
    low, high: the thresholds; when low > high, the band goes through red:
    low to 179 and 0 to high.
    """
    ...


# %% tags=["worked"]
def in_band(hue, low, high):
    """Mask (H, W) of bool: which pixels have a hue from low to high, both included.

    hue: (H, W) array of uint8, 0 to 179, two degrees a step.
    low, high: the thresholds; when low > high, the band goes through red:
    low to 179 and 0 to high.
    """
    if low <= high:
        return (hue >= low) & (hue <= high)
    return (hue >= low) | (hue <= high)


# %% tags=["verify"]
verify(in_band)

# %% [markdown]
# Stuck? Run `nudge(in_band)` in a new cell; each call says a little more.

# %% [markdown]
# ## 2. From a mask to a place
#
# Beside the path lies a flat orange tray, the wrong object in the right color: a **distractor**. The post stands 3.5 m away. We mark all orange pixels and take the mean of their positions, the **centroid**.
#
# **Predict.** Where is the centroid: on the post, on the tray, or somewhere else?

# %% tags=["folded"]
# Your guess
guess(
    "03.centroid",
    "Where is the centroid?",
    choices=("on the post", "on the tray", "somewhere else"),
)

# %%
from robotlab.color import Band, connected_components, overlay

orange = Band(hue=(6, 15), saturation=(200, 255), value=(100, 255))
beside = WALKS["wrong_things"].scene
view = render(beside.with_post_at(3.5, 0.3), camera)
mask = orange.mask(view.picture)
rows, columns = np.nonzero(mask)
x0, x1 = view.truths.boxes[0][[0, 2]]
print(f"{mask.sum()} orange pixels, their mean x is {columns.mean() + 0.5:.1f} px")
print(f"the post reaches from x = {x0:.0f} to {x1:.0f} px")
on_post = x0 <= columns.mean() + 0.5 <= x1
compare_guess("03.centroid", "on the post" if on_post else "somewhere else")


# %% tags=["folded", "nbval-ignore-output"]
def outline(ax, box, margin=3):
    """A box, black under white, drawn a little outside."""
    x0, y0, x1, y1 = np.asarray(box) + np.array([-margin, -margin, margin, margin])
    x, y = [x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0]
    for color, width in (("black", 2.6), ("white", 1.0)):
        ax.plot(x, y, color=color, linewidth=width)


figure, axes = plt.subplots(1, 2, figsize=(7.4, 3), layout="constrained")
shown = {
    "the post, 3.5 m away (rendered)": view.picture,
    "orange pixels; + is their centroid": overlay(view.picture, mask),
}
for ax, (title, picture) in zip(axes, shown.items()):
    ax.imshow(picture, extent=(0, 320, 240, 0))
    ax.set_title(title)
    ax.set_axis_off()
outline(axes[0], view.truths.boxes[0])
center = columns.mean() + 0.5, rows.mean() + 0.5
axes[1].plot(*center, "w+", markersize=14, markeredgewidth=2)
plt.show()

# %% [markdown]
# **Why.** The mean of two objects lies between them, on neither. A trolley that steers at it drives into the gap.
#
# **Task 2.** Write `centroid(mask)` all the same: for *one* object it is the best single point there is, finer than a pixel. A pixel counts where its middle is, half a pixel from its corner. Rows go down (y), columns go right (x).


# %% tags=["starter"]
def centroid(mask):
    """Centroid (x, y) of the True pixels, px from the top left corner; None if none.

    mask: (H, W) array of bool.  The middle of the first pixel is at (0.5, 0.5).
    """
    ...


# %% tags=["worked"]
def centroid(mask):
    """Centroid (x, y) of the True pixels, px from the top left corner; None if none.

    mask: (H, W) array of bool.  The middle of the first pixel is at (0.5, 0.5).
    """
    if not mask.any():
        return None
    rows, columns = np.nonzero(mask)
    return columns.mean() + 0.5, rows.mean() + 0.5


# %% tags=["verify"]
verify(centroid)

# %% [markdown]
# A group of marked pixels that touch is a **connected component**, a *blob* for short. Pixels that touch sideways or up and down only are 4-connected; where a corner is enough, as here, they are 8-connected. Two objects that stand apart are two components, so we can take one of them.
#
# **Predict.** The largest component: is it the post or the tray?

# %% tags=["folded"]
# Your guess
guess("03.largest", "Which is the largest component?", choices=("the post", "the tray"))

# %%
blobs = connected_components(mask, min_area_px=12)
for area, (x0, y0, x1, y1) in zip(blobs.areas, blobs.boxes):
    size = f"{x1 - x0:.0f} wide and {y1 - y0:.0f} tall"
    print(f"{area} pixels, {size}, from x = {x0:.0f} to {x1:.0f} px")
wide, tall = blobs.boxes[0][2:] - blobs.boxes[0][:2]
compare_guess("03.largest", "the tray" if wide > tall else "the post")

# %% [markdown]
# **Why.** Largest *in the picture* is not largest *in the world*. The tray is flat but 0.6 m wide. The nearer one wins, and at 3.5 m that is no longer the post. Remember the two shapes; part 6 needs them.
#
# **Task 3.** Write `largest_blob(mask)`, which keeps the largest connected component and drops the others. `from scipy import ndimage`, then `numbers, count = ndimage.label(mask, structure=np.ones((3, 3)))`: `numbers` is an array like the mask, 0 where it is False and 1, 2, ... for the components, 8-connected. `np.bincount(numbers.ravel())` counts the pixels of each number.


# %% tags=["starter"]
def largest_blob(mask):
    """The largest connected component, as a mask (H, W) of bool; all False without any.

    mask: (H, W) array of bool.  Pixels that touch, also by a corner, are connected.
    Of two of one size, the one whose first pixel comes first in reading order.
    """
    ...


# %% tags=["worked"]
from scipy import ndimage


def largest_blob(mask):
    """The largest connected component, as a mask (H, W) of bool; all False without any.

    mask: (H, W) array of bool.  Pixels that touch, also by a corner, are connected.
    Of two of one size, the one whose first pixel comes first in reading order.
    """
    numbers, count = ndimage.label(mask, structure=np.ones((3, 3)))
    if count == 0:
        return np.zeros(mask.shape, bool)
    sizes = np.bincount(numbers.ravel())[1:]
    return numbers == 1 + np.argmax(sizes)


# %% tags=["verify"]
verify(largest_blob)

# %% [markdown]
# ### Specks and gaps
#
# Masks are rarely as clean as this one. Two small operations clean them, both with a square of 3 × 3 pixels. One keeps a pixel only if all pixels around it are marked, an **erosion**: everything loses its rim, and specks vanish. The other marks a pixel if any pixel around it is, a **dilation**: everything gains a rim, and gaps close. Erosion and then dilation is an **opening**; dilation and then erosion is a **closing**. Both leave large components nearly as large as they were.
#
# **Predict.** Under the grow lamp, in a wider band, the mask of one post falls apart into about a hundred components, most of them specks. Which of the two clears them away, opening or closing?

# %% tags=["folded"]
# Your guess
guess("03.specks", "Which clears the specks away?", choices=("opening", "closing"))

# %%
from robotlab.image import dilate, erode, open_close

wide_band = Band(hue=(6, 15), saturation=(150, 255), value=(50, 255))
speckled = wide_band.mask(
    render(clear.with_post_at(2.0, -0.1).under("grow"), camera).picture
)
masks = {
    "as it is": speckled,
    "erosion": erode(speckled, 1),
    "dilation": dilate(speckled, 1),
    "opening": open_close(speckled, open_px=1),
    "closing": open_close(speckled, close_px=1),
}
for name, one in masks.items():
    count = len(connected_components(one))
    print(f"{name:<8} {one.sum():5d} pixels in {count:3d} connected components")
left = {name: len(connected_components(one)) for name, one in masks.items()}
compare_guess("03.specks", min(("opening", "closing"), key=left.get))

# %% [markdown]
# **Why.** Opening: a speck of one or two pixels does not survive the erosion, so there is nothing left for the dilation to bring back. Closing joins neighboring specks and keeps them all. A post 2 pixels wide does not survive an opening either. This is why the course's detector drops small *components* instead, unless you tell it to open the mask.
#
# ## 3. Set the thresholds by hand
#
# **Try.** Each slider is a threshold; the gray parts of the histograms are left out. A **histogram** shows how many pixels there are of each hue, saturation and value. Mouse or arrow keys.
# 1. Raise *hue to* from 15 to 26. At which hue does the yellow crate turn up on the right?
# 2. Go back. Lower *saturation from* and watch the IoU with the ground truth: it rises, then it falls. Where is it best?
# 3. Choose the picture *dusk* in the list. Which slider, moved alone, brings the most of the post back?
# 4. Choose *grow*. Move the hue thresholds until it says *found*. Then go back to *daylight*.

# %% tags=["explore"]
from robotlab.widgets import ColorBands

near_post = beside.with_post_at(2.0, -0.1)
views = {lighting: render(near_post.under(lighting), camera) for lighting in LIGHTINGS}
by_hand = Band(hue=(6, 15), saturation=(209, 255), value=(104, 255))
ColorBands(
    {lighting: one.picture for lighting, one in views.items()},
    by_hand,
    truths={lighting: one.truths.boxes[0] for lighting, one in views.items()},
)

# %% tags=["still"] picture="bands" alt="Above, a rendered greenhouse with the orange post boxed, and beside it the same picture dark but for the post and a flat orange tray. Below, histograms of hue, saturation and value; gray veils leave open a narrow band of orange hues, high saturations and brighter values."
from IPython.display import Image

from robotlab.image import decode, encode

panel = ColorBands(views["daylight"].picture, by_hand)
Image(encode(decode(panel.picture), "png", effort=9))

# %% [markdown]
# *The heights of the histograms are logarithmic: 1, 100, 10 000 pixels (10k).*
#
# **Why.** The crate begins at hue 22, so there is room on that side. A lower saturation first adds the pale edges of the post itself (IoU 0.93 from 134 down to 104), and below that what stands behind it. At dusk the post is darker, and the IoU falls just below 0.5. *Value from* a little lower is enough, and going on down to 79 brings back the most (0.68). A lower saturation also helps (0.64). Under the grow lamp the color itself has moved, toward red, and the thresholds must move too: hue 0 to 10 finds the post in this picture and by day. That is luck with one place and one tray, and you needed the grow picture to find it. Part 5 tries twelve places.

# %% [markdown]
# ## 4. Learn the thresholds from boxes
#
# Numbers typed by hand fit one picture. Better: draw a box around the post in a few pictures and take the colors from there. The middle of the hues is a mean, and hue is a circle.
#
# **Predict.** Two pixels of a red object have the hues 350° and 10°. What is their plain mean, and what color is that?

# %% tags=["folded"]
# Your guess
guess("03.plain_mean", "Their plain mean, and its color?")

# %%
from robotlab.color import mean_hue as mean_hue_in_steps

reds = np.array([350.0, 10.0])
plain = reds.mean()
red, green, blue = (
    round(255 * part) for part in colorsys.hsv_to_rgb(plain / 360, 1, 1)
)
print(f"plain mean {plain:.0f} degrees, which is red {red}, green {green}, blue {blue}")
print(f"circular mean {2 * mean_hue_in_steps(reds / 2) % 360:.0f} degrees")
compare_guess("03.plain_mean", f"{plain:.0f}°, red {red}, green {green}, blue {blue}")

# %% [markdown]
# **Why.** 350° and 10° are 20° apart, but the plain mean goes the long way around and lands on cyan. Think of each hue as an arrow of length 1; add the arrows and see where the sum points: atan2(mean of the sines, mean of the cosines). This is the **circular mean**:
#
# $$\bar{h} = \text{atan2}\Big(\tfrac{1}{N} \sum_i \sin h_i,\ \tfrac{1}{N} \sum_i \cos h_i\Big)$$
#
# **Task 4.** Write `mean_hue(hues_deg)`, in degrees from 0 up to 360.


# %% tags=["starter"]
def mean_hue(hues_deg):
    """Circular mean of hues, in degrees, from 0 up to but not including 360.

    hues_deg: (N,) array of hues, degrees.
    """
    ...


# %% tags=["worked"]
def mean_hue(hues_deg):
    """Circular mean of hues, in degrees, from 0 up to but not including 360.

    hues_deg: (N,) array of hues, degrees.
    """
    angles = np.radians(hues_deg)
    # A tiny negative angle % 360 is rounded up to 360; the second % makes it 0.
    return (
        np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())) % 360 % 360
    )


# %% tags=["verify"]
verify(mean_hue)

# %% [markdown]
# Now the learned band: three daylight pictures, a box around the post in each. The detector takes the pixels in the middle of each box, their circular mean, and how far they lie from it; then it adds a little slack at both ends.

# %%
from robotlab.color import ColorDetector

NEAR_AND_FAR_M = (1.5, 2.0, 3.0)


def lessons_under(lighting):
    """Three pictures of the post in one lighting, and the box around it in each."""
    lit = clear.under(lighting)
    frames = [render(lit.with_post_at(far_m, 0.0), camera) for far_m in NEAR_AND_FAR_M]
    return [one.picture for one in frames], [one.truths.boxes[:1] for one in frames]


day_pictures, day_boxes = lessons_under("daylight")
learned = ColorDetector.learn(day_pictures, day_boxes, "post")
print(learned.band_of("post"))

# %% [markdown]
# ## 5. The lighting breaks it
#
# One picture proves nothing, so we take twelve places of the post, from 1 to 4 m, in each of five kinds of lighting. *Found*, a true positive (TP), means that the detector's box and the ground truth have an IoU of at least 0.5 (lesson 05 explains it). Everything else is either *wrong*, a box somewhere else, which is a false positive (FP), or *nothing*. In both the post is missed, a false negative (FN).
#
# **Predict.** Fill in the table on paper: of twelve, how many are found in each lighting?

# %% tags=["folded"]
# Your guess
guess("03.lightings", "Found of 12: daylight, overcast, dusk, warm, grow?")

# %%
from robotlab.boxes import iou

rng = np.random.default_rng(3)
far_m, slope = rng.uniform(1.0, 4.0, 12), rng.uniform(-0.28, 0.28, 12)
places = list(zip(far_m, slope * far_m))


def look(scene):
    """Twelve views of the post in a scene, in each lighting."""
    posts = [scene.with_post_at(*place) for place in places]
    return {
        lighting: [render(one.under(lighting), camera) for one in posts]
        for lighting in LIGHTINGS
    }


def tally(detector, views):
    """How often the post is found, the box is wrong, and there is no box."""
    counts = {"found": 0, "wrong": 0, "nothing": 0}
    for view in views:
        best = detector.detect(view.picture).best()
        if len(best) == 0:
            counts["nothing"] += 1
        elif iou(best.boxes, view.truths.boxes[:1])[0, 0] >= 0.5:
            counts["found"] += 1
        else:
            counts["wrong"] += 1
    return counts


in_the_clear = look(clear)
rows = [[name, *tally(learned, views).values()] for name, views in in_the_clear.items()]
display(Table(["lighting", "found", "wrong", "nothing"], rows, "Of twelve:"))
compare_guess("03.lightings", ", ".join(str(row[1]) for row in rows))

# %% [markdown]
# Where has the post's color gone? `lighting_check` compares a band of colors with labeled pictures.

# %%
from robotlab.color import lighting_check


def check(detector, views):
    """What a detector's band meets in some views."""
    balanced = [detector.balanced(one.picture) for one in views]
    boxes = [one.truths.boxes[:1] for one in views]
    return lighting_check(balanced, detector.band_of("post"), boxes)


rows = []
for lighting in LIGHTINGS:
    found = check(learned, in_the_clear[lighting])
    inside, astray = f"{100 * found.coverage:.0f} %", f"{100 * found.astray:.0f} %"
    rows.append([lighting, inside, f"{found.hue_moved_deg:+.0f}°", astray])
Table(["lighting", "post in band", "hue moved", "largest blob not the post"], rows)

# %% [markdown]
# **Why.** The camera measures the color of the object *times* the color of the light.
# - *Overcast* is a little bluer than the sun; the band has enough slack.
# - *Dusk* is dark. The hue is nearly where it was, but some 60 % of the post is darker than the lowest value that the detector was taught. Its wrong boxes lie on the post and hold only a piece of it.
# - *Warm* is a sodium-like lamp, nearly one single color. The hue turns by 15° toward yellow, and the post leaves the band altogether: silence.
# - *Grow* has red and blue and hardly any green. The post turns red, and a yellow crate turns into the orange that the post was by day. The detector is *sure of the wrong thing*, the worst case of all.
#
# People hardly notice any of this: your eye takes the color of the light out again and calls the post orange in all five. This ability is **color constancy**. A camera has it only as far as a program gives it some.

# %% [markdown]
# ## 6. What can be repaired
#
# Three repairs, and one more scene: the same places, but now the orange tray, a blue drum and a yellow pole stand beside the path.
#
# - *Lower value*: let the band begin at 50 instead of about 100.
# - *Gray world*: multiply each channel by a factor of its own, so that white things come out white; this is **white balance**. The simplest way to choose the factors is to assume that a whole picture is gray on average, the **gray-world assumption**. It undoes a light that scales the channels. (`robotlab.color.gray_world` gives the three factors for a picture.)
# - *Shape*: the post is 0.07 m wide and 0.50 m tall. A component must have an **aspect ratio** (width / height) from 0.08 to 0.4 and fill half of its bounding box.
#
# **Predict.** Which repair helps at dusk, and which beside the tray?

# %% tags=["folded"]
# Your guess
guess(
    "03.dusk",
    "Which repair helps most at dusk, in the clear?",
    choices=("lower value", "shape"),
)

# %% tags=["folded"]
# Your guess
guess(
    "03.tray",
    "Which helps beside the tray by day?",
    choices=("lower value", "gray world", "shape"),
)

# %%
from dataclasses import replace

from robotlab.color import Shape

upright = Shape(aspect=(0.08, 0.4), min_fill=0.5)
by_day = (day_pictures, day_boxes, "post")
band = learned.band_of("post")
detectors = {
    "as learned": learned,
    "lower value": ColorDetector({"post": replace(band, value=(50, 255))}),
    "gray world": ColorDetector.learn(*by_day, balance="gray world"),
    "shape": ColorDetector({"post": band}, shapes=upright),
    "gray world + shape": ColorDetector.learn(
        *by_day, balance="gray world", shapes=upright
    ),
}
beside_others = look(beside)


def counted(scenes):
    """Found and, in brackets, wrong, for each detector and lighting."""
    counts = {
        name: {lighting: tally(one, views) for lighting, views in scenes.items()}
        for name, one in detectors.items()
    }
    rows = [
        [name, *(f"{one['found']} ({one['wrong']})" for one in row.values())]
        for name, row in counts.items()
    ]
    return counts, rows


clear_counts, rows = counted(in_the_clear)
display(Table(["found (wrong)", *LIGHTINGS], rows, "In the clear, of 12:"))
dusk = {name: clear_counts[name]["dusk"]["found"] for name in ("lower value", "shape")}
compare_guess("03.dusk", max(dusk, key=dusk.get))

# %%
tray_counts, rows = counted(beside_others)
display(Table(["found (wrong)", *LIGHTINGS], rows, "Beside tray, drum, pole:"))
ONE = ("lower value", "gray world", "shape")
day = {name: tray_counts[name]["daylight"]["found"] for name in ONE}
compare_guess("03.tray", max(day, key=day.get))

# %% [markdown]
# **Why.**
# - *Lower value* repairs dusk, where only the brightness has changed. It costs something by day: dark edges join the tray's component, and the tray wins more often.
# - *Gray world* repairs dusk and grow. Both scale the channels, and it scales them back: the hue of the post returns into the band. This is as much color constancy as three factors can give. It cannot repair *warm*. Nearly one color of light reaches the camera there, and no factor restores ratios that the light never carried.
# - *Shape* refuses a component that cannot be the post. Where the post is a component too, the post is taken instead: beside the tray 11 become 12. Where the post is outside the band, *wrong* becomes *nothing*: in the clear, the crate under the grow lamp is refused. It has a price: in the clear at dusk, 3 found become 0, since the pieces of the dark post that are left in the band have the wrong shape. Beside the pole it fails, because the yellow pole turns orange under the grow lamp, and it is upright as well.
# - *Gray world and shape* together: 11 or 12 of 12 in four kinds of lighting, in both scenes, and not one wrong box. Under the warm lamp: nothing.
#
# Another way to say which colors are near one another is a space where equal distances look about equally different, **CIELAB** (L\*a\*b\*): `ColorDetector.learn(..., kind="lab")`. Try it if you want more; here it finds no more than hue does, since its distances grow with the brightness.
#
# One more repair needs a film, not single pictures: look only near the place where the object was a moment ago, in a **region of interest** (ROI). Distractors elsewhere no longer count. The loop of lesson 00 can do the same with boxes: with `Settings(gate=0.2)` it believes a box only if its middle lies within a fifth of the picture's width of where the last one was, which is called **gating**. This is the first step from detecting to tracking.

# %% [markdown]
# ## 7. When color is the wrong tool
#
# One repair is left: teach the detector in the very lighting it will work in. `lighting_check` says in words what it finds.

# %%
import textwrap

print("Under the warm lamp, taught by day:")
print(textwrap.fill(check(learned, beside_others["warm"]).sentence, 80))

# %% [markdown]
# **Predict.** We do what it says: three pictures in each lighting, a new band for each. Beside the tray, the drum and the pole, in which lighting is color *alone* now good enough?

# %% tags=["folded"]
# Your guess
guess(
    "03.wrong_tool",
    "In which lighting is color alone now good enough, beside tray, drum and pole?",
)

# %%
will_do, rows = [], []
for lighting in LIGHTINGS:
    alone = ColorDetector.learn(*lessons_under(lighting), "post")
    with_shape = ColorDetector.learn(*lessons_under(lighting), "post", shapes=upright)
    verdict = check(alone, beside_others[lighting])
    counts = [tally(one, beside_others[lighting]) for one in (alone, with_shape)]
    found = [f"{one['found']} ({one['wrong']})" for one in counts]
    will_do += [lighting] if verdict.usable else []
    said = "will do" if verdict.usable else "wrong tool"
    rows.append([lighting, *found, f"{100 * verdict.astray:.0f} %", said])
heads = ["found (wrong)", "alone", "with shape", "largest is another", "lighting_check"]
display(Table(heads, rows))
compare_guess("03.wrong_tool", ", ".join(will_do))

# %% [markdown]
# **Why.** By day, under an overcast sky and under the grow lamp; not at dusk, not under the warm lamp. The thresholds can follow the lighting, if you know which lighting it is. They cannot separate two objects that *have* the same color in that light. Under the warm lamp nearly everything is a shade of amber, and even a band made for it leads astray in a third of the pictures. Shape limits rescue most of these. Where `lighting_check` still says "wrong tool" and the distractors cannot be taken away, or where the lighting changes during a drive, take a detector that sees more than color: lesson 07 trains one.
#
# `lighting_check` also works without boxes, before you have labeled anything: it then says whether a second component is half as large as the largest. That takes ten pictures and a minute. Do it in the room where the robot will drive, at the hour when it will drive.

# %% [markdown]
# ## On your own pictures
#
# *Click your object.* Write the name of one of your photographs into the cell; any size, portrait or landscape, JPEG, PNG or WebP. (A phone's HEIC file is refused with a line that says how to convert it.) Click the object: the right half shows everything in the photograph that has the color of the place you clicked. Then click something else of nearly that color. Without a photograph the cell takes a rendered picture.

# %% tags=["explore"]
from robotlab.image import load, resize
from robotlab.widgets import PickColor

my_picture = ""  # such as "mug.jpg", in the folder of this lesson


def small(picture, longest_px=320):
    """A picture made smaller, its aspect ratio kept."""
    height, width = picture.shape[:2]
    factor = longest_px / max(height, width)
    return resize(picture, (round(width * factor), round(height * factor)))


by_day_picture = views["daylight"].picture
picked = PickColor(small(load(my_picture)) if my_picture else by_day_picture)
picked

# %% [markdown]
# `ColorDetector({"mine": picked.band})` is a detector of that color. *What the camera sees now*: if you have a camera, write its number into the next cell (0 is the first one; a film's name or a stream's address will do as well). Left is its newest picture, a few times a second, right the mask of the band that you clicked. Move the sliders until only your object is left, then walk with it to the window and under the lamp. *Stop* releases the camera; so does running the cell again, closing the page and shutting down the kernel. No picture is kept. Before you begin, see who is in view, and ask them.

# %% tags=["explore"]
from robotlab.widgets import LiveMask

my_camera = None  # such as 0

if my_camera is None:
    print("no camera yet: put its number in place of None and run the cell again")
else:
    live = LiveMask(my_camera, picked.band)
    display(live)

# %% [markdown]
# `live.band` is the band that the sliders say. *More photographs*: put a few of the object into a folder `my_pictures` beside this notebook: near, far, at the window, under the lamp. Those of one size share a row of sliders. Run the cell and find the thresholds.

# %% tags=["explore"]
from pathlib import Path

from robotlab.errors import PictureError

of_one_size = {}
for path in sorted(Path("my_pictures").glob("[!.]*"))[:6]:
    try:
        one = small(load(path))
    except PictureError as why:  # such as a HEIC file: it says how to convert it
        print(why)
    else:
        of_one_size.setdefault(one.shape, {})[path.stem] = one
start = Band(hue=(6, 15), saturation=(150, 255), value=(60, 255))
for pictures in of_one_size.values():
    display(ColorBands(pictures, start))
if not of_one_size:
    print("no pictures yet: make a folder my_pictures beside this notebook,")
    print("put photographs into it, and run this cell again")

# %% [markdown]
# - Where is the hue histogram of your room *empty*? A marker of that color is the cheapest improvement there is.
# - Then give a bounding box by its edges in two pictures, `ColorDetector.learn([picture_1, picture_2], [[[x0, y0, x1, y1]], [[x0, y0, x1, y1]]])`, and look at a third with `.detect`.
# - Turn off the camera's automatic white balance and exposure if you can. Otherwise it shifts the colors while you measure them.

# %% [markdown]
# ## What to remember
#
# - Hue and saturation are made of ratios: they hardly change when the light gets weaker, but they do when it changes color.
# - Hue is a circle. 179 and 0 are neighbors, and a mean of hues is a circular mean.
# - Write the scale beside each hue: degrees, or steps of two degrees.
# - The centroid of a whole mask lies between the objects. Split it into connected components first.
# - Opening removes specks, closing fills gaps; both remove or merge what is thin.
# - White balance undoes a light that scales the channels. It cannot bring back a color that the light does not contain.
# - Wider thresholds find more of the post and more of everything else. Shape is what tells equal colors apart.
# - Measure before you drive: `lighting_check`, in the room, at the hour.
#
# On your own robot you can now:
# - teach a color detector your object from three boxes;
# - measure in which lighting it works, and choose the repair that fits;
# - say when color is the wrong tool, before anything drives.
#
# ### Check your understanding
#
# 1. Green is 120°. Which hue do you type in a library where one step is two degrees?
# 2. Two orange objects are in the mask. Why is its centroid a bad place to steer at, and what do you do first?
# 3. A mask is full of specks of one or two pixels. Opening or closing?
# 4. What is the circular mean of 340° and 40°?
# 5. At dusk and under the warm lamp the post is lost, for two different reasons. Which of the two can white balance undo, and why not the other?
#
# <details><summary>Answers</summary>
#
# 1. 60.
# 2. It lies between the two, on neither. Split the mask into connected components and take one.
# 3. Opening: the erosion removes the specks, and the dilation gives what is left its size back.
# 4. 10°. The plain mean, 190°, is on the other side of the circle.
# 5. Dusk: it scales the channels, and white balance scales them back. The warm lamp is nearly one color, and no factor brings back colors that its light does not contain.
#
# </details>
#
# Next: [lesson 04](04_what_versus_where.ipynb), what versus where.
#
# ## Sources
#
# - Hue, saturation, value: A. R. Smith, *Color gamut transform pairs*, SIGGRAPH 1978. The check on the numbers is Python's own `colorsys`.
# - L\*a\*b\* and its distance: CIE 15:2018, *Colorimetry*.
# - Connected components, erosion, dilation, opening, closing: R. M. Haralick, S. R. Sternberg, X. Zhuang, *Image Analysis Using Mathematical Morphology*, IEEE Trans. PAMI 9:532-550, 1987 (cited from memory).
# - Circular mean: K. V. Mardia, P. E. Jupp, *Directional Statistics*, 2000, chapter 2.
# - Gray world: G. Buchsbaum, J. Franklin Inst. 310:1-26, 1980 (cited from memory). Scaling the channels: the assumption of J. von Kries, 1902.
# - The lighting: black-body spectra (Planck's law) for the sky; lines of sodium and of horticultural LEDs from memory. Rendered lighting stands for kinds of light, not for products.
