# %% [markdown]
# # Lesson 03: follow a color
#
# **What you will have** at the end: a color tracker that you can explain to the last pixel, a table of the lamps under which it finds the post, and a repair for each lamp where there is one.
#
# **You will be able to**
# - turn a pixel into hue, saturation and value, and tell three scales of hue apart;
# - go from a picture to a mask, from a mask to blobs, from a blob to a place;
# - learn a band of colors from three boxes;
# - say before you drive which lamps and which neighbors break it, and why;
# - repair what can be repaired, and see when color is the wrong tool.
#
# **Time**: 45 minutes. **Needs**: lessons 00 and 01 (a picture is an array of height × width × 3 bytes: red, green, blue).
#
# **Cautions**: nothing moves here. Keep one thing in mind for later: a tracker that is *sure of the wrong thing* drives a trolley there. This lesson makes that happen on paper, where it costs nothing. All pictures are rendered.

# %% [markdown]
# ## 1. What is orange, in numbers?
#
# **Predict.** We take the same picture three times, with half, with all and with twice the light. Of the red, green and blue of one pixel on the post, does any stay the same?

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab.color import hsv
from robotlab.follow import default_camera
from robotlab.greenhouse import LAMPS, WALKS, render
from robotlab.practice import nudge, verify

camera = default_camera()
clear = WALKS["straight"].scene
post_ahead = clear.with_post_at(1.5, 0.0)

print("light   red green blue     hue saturation value")
for light in (0.5, 1.0, 2.0):
    picture = render(post_ahead, camera, exposure=light, noise=0.0).picture
    r, g, b = picture[120, 160]
    h, s, v = hsv(picture)[120, 160]
    print(f"{light:5.1f} {r:5d} {g:5d} {b:4d} {h:7d} {s:10d} {v:5d}")

# %% [markdown]
# **Why.** Red, green and blue all grow with the light. Their *proportions* do not, and proportions are what hue and saturation hold. With V the largest of the three, m the smallest and C = V − m:
#
# - **value** V: how bright, 0 to 255;
# - **saturation** 255 · C / V: how far from gray, 0 to 255;
# - **hue**: which color, an angle on a circle. Where red is the largest it is 60° · (G − B) / C; green stands at 120°, blue at 240°, and 360° is red again.
#
# Multiply all three channels by one number and it cancels in (G − B) / C and in C / V. What changes is V. (The camera's numbers are not quite in proportion to the light, see lesson 01; near black, and past 255, the rule fails.)
#
# A byte ends at 255, so it cannot hold 360 degrees. Programs get around that in different ways.
#
# **Predict.** Pure green is 120°. What is its hue in this library, where one step is two degrees? And for the color orange, (255, 165, 0)?

# %%
import colorsys

for name, color in (("green", (0, 255, 0)), ("orange", (255, 165, 0))):
    share, _, _ = colorsys.rgb_to_hsv(*(channel / 255 for channel in color))
    step = hsv(np.array([[color]], np.uint8))[0, 0, 0]
    print(f"{name:<7} {share:.4f} of the circle, {360 * share:6.2f} degrees, {step} steps of two degrees")

# %% [markdown]
# **Why.** 120° / 2 is 60; 38.82° / 2 is 19.4, and a byte has no fraction. Other libraries spread the circle over 0 to 255 (green is 85 there) or over 0 to 1. A band of hues from one scale, used on another, finds nothing, and nothing warns you. It is the most common slip with color trackers: write the scale beside the number.
#
# A **band** says which colors count: hue from … to …, saturation from … to …, value from … to …. A **mask** is the answer for each pixel, an array of true and false.
#
# **Task 1.** Write `in_band(hue, low, high)`. Hues 0 to 179; both ends belong to the band; 179 and 0 are neighbors, so a band may go through red, from 170 to 8 for example.

# %% tags=["starter"]
def in_band(hue, low, high):
    """Which pixels have a hue in the band, ends included: an array (H, W) of bool.

    hue: (H, W) array of uint8, 0 to 179, two degrees a step.
    low, high: ends of the band; when low > high, the band goes through red: low to 179 and 0 to high.
    """
    ...


# %% tags=["worked"]
def in_band(hue, low, high):
    """Which pixels have a hue in the band, ends included: an array (H, W) of bool.

    hue: (H, W) array of uint8, 0 to 179, two degrees a step.
    low, high: ends of the band; when low > high, the band goes through red: low to 179 and 0 to high.
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
# Beside the path lies a flat orange tray, a wrong thing of the right color. The post stands 3.5 m away. We mark all orange pixels and take the mean of their positions, the **centroid**.
#
# **Predict.** Where is the centroid: on the post, on the tray, or somewhere else?

# %%
from robotlab.color import Band, find_blobs, overlay

orange = Band(hue=(6, 15), saturation=(200, 255), value=(100, 255))
beside = WALKS["wrong_things"].scene
view = render(beside.with_post_at(3.5, 0.3), camera)
mask = orange.mask(view.picture)
rows, columns = np.nonzero(mask)
x0, _, x1, _ = view.truths.boxes[0]
print(f"{mask.sum()} orange pixels, their mean x is {columns.mean() + 0.5:.1f} px")
print(f"the post reaches from x = {x0:.0f} to {x1:.0f} px")


# %% tags=["nbval-ignore-output"]
def outline(ax, box, margin=3):
    """A box, black under white, drawn a little outside."""
    x0, y0, x1, y1 = np.asarray(box) + np.array([-margin, -margin, margin, margin])
    for color, width in (("black", 2.6), ("white", 1.0)):
        ax.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color=color, linewidth=width)


figure, axes = plt.subplots(1, 2, figsize=(8, 3.2), layout="constrained")
for ax, shown, title in zip(axes, (view.picture, overlay(view.picture, mask)), ("the post, 3.5 m away (rendered)", "orange pixels; + is their centroid")):
    ax.imshow(shown, extent=(0, 320, 240, 0))
    ax.set_title(title)
    ax.set_axis_off()
outline(axes[0], view.truths.boxes[0])
_ = axes[1].plot(columns.mean() + 0.5, rows.mean() + 0.5, "w+", markersize=14, markeredgewidth=2)

# %% [markdown]
# **Why.** A mean of two things lies between them, on neither. A trolley that steers at it drives at the gap.
#
# **Task 2.** Write `centroid(mask)` all the same: for *one* thing it is the best single point there is, finer than a pixel. A pixel counts where its middle is, half a pixel from its corner. Rows go down (y), columns go right (x).

# %% tags=["starter"]
def centroid(mask):
    """Middle (x, y) of the True pixels, px from the picture's top left corner, or None if there is none.

    mask: (H, W) array of bool.  The middle of the first pixel is at (0.5, 0.5).
    """
    ...


# %% tags=["worked"]
def centroid(mask):
    """Middle (x, y) of the True pixels, px from the picture's top left corner, or None if there is none.

    mask: (H, W) array of bool.  The middle of the first pixel is at (0.5, 0.5).
    """
    if not mask.any():
        return None
    rows, columns = np.nonzero(mask)
    return columns.mean() + 0.5, rows.mean() + 0.5


# %% tags=["verify"]
verify(centroid)

# %% [markdown]
# A **blob** is a group of marked pixels that touch, sideways, up and down or by a corner. Two things that stand apart are two blobs, so we can take one of them.
#
# **Predict.** The largest blob: is it the post or the tray?

# %%
blobs = find_blobs(mask, min_area_px=12)
for area, (x0, y0, x1, y1) in zip(blobs.areas, blobs.boxes):
    print(f"{area} pixels, {x1 - x0:.0f} wide and {y1 - y0:.0f} tall, from x = {x0:.0f} to {x1:.0f} px")

# %% [markdown]
# **Why.** Largest *in the picture* is not largest *in the world*. The tray is flat but 0.6 m wide. The nearer one wins, and at 3.5 m that is no longer the post. Remember the two shapes; part 6 needs them.
#
# **Task 3.** Write `largest_blob(mask)`, which keeps the largest blob and drops the others. `from scipy import ndimage`, then `numbers, count = ndimage.label(mask, structure=np.ones((3, 3)))`: `numbers` is an array like the mask, 0 where it is False and 1, 2, ... for the blobs, joined by corners too. `np.bincount(numbers.ravel())` counts the pixels of each number.

# %% tags=["starter"]
def largest_blob(mask):
    """The blob with the most pixels, as a mask (H, W) of bool; all False if there is none.

    mask: (H, W) array of bool.  Pixels that touch, sideways or by a corner, are one blob.
    Of blobs of one size, the one whose first pixel comes first in reading order.
    """
    ...


# %% tags=["worked"]
from scipy import ndimage


def largest_blob(mask):
    """The blob with the most pixels, as a mask (H, W) of bool; all False if there is none.

    mask: (H, W) array of bool.  Pixels that touch, sideways or by a corner, are one blob.
    Of blobs of one size, the one whose first pixel comes first in reading order.
    """
    numbers, count = ndimage.label(mask, structure=np.ones((3, 3)))
    if count == 0:
        return np.zeros(mask.shape, bool)
    sizes = np.bincount(numbers.ravel())[1:]
    return numbers == 1 + np.argmax(sizes)


# %% tags=["verify"]
verify(largest_blob)

# %% [markdown]
# ## 3. Set a band by hand
#
# **Try.** The sliders are the ends of the band; the gray parts of the histograms are left out. Mouse or arrow keys.
# 1. Raise *hue to* from 15 to 26. At which hue does the yellow crate turn up on the right?
# 2. Go back. Lower *saturation from* and watch the overlap: it grows, then it falls. Where is it best?
# 3. Choose picture 3, dusk. Which slider, moved alone, brings the most of the post back?
# 4. Choose picture 5, grow. Move the band until it says *found*. Then go back to picture 1.

# %% tags=["explore"]
from robotlab.widgets import ColorBands

views = {lamp: render(beside.with_post_at(2.0, -0.1).under(lamp), camera) for lamp in LAMPS}
ColorBands(
    {lamp: one.picture for lamp, one in views.items()},
    Band(hue=(6, 15), saturation=(209, 255), value=(104, 255)),
    truths={lamp: one.truths.boxes[0] for lamp, one in views.items()},
)

# %% tags=["still"] picture="bands" alt="Above, a rendered greenhouse with the orange post boxed, and beside it the same picture dark but for the post and a flat orange tray. Below, histograms of hue, saturation and value; gray veils leave open a narrow band of orange hues, high saturations and brighter values."
from IPython.display import Image

from robotlab.picture import decode, encode

panel = ColorBands(views["daylight"].picture, Band(hue=(6, 15), saturation=(209, 255), value=(104, 255)))
Image(encode(decode(panel.picture), "png", effort=9))

# %% [markdown]
# *Above, as a still for those who have not run the cell. The heights are logarithmic: 1, 100, 10 000 pixels (10k).*
#
# **Why.** The crate begins at hue 22, so there is room on that side. A lower saturation first adds the pale edges of the post itself (overlap 0.93 at 134), and below 90 what stands behind it. At dusk the post is darker, and the overlap falls just below 0.5. *Value from* a little lower is enough, and going on down to 50 brings back the most (0.68). A lower saturation also helps (0.64). Under the grow lamp the color itself has moved, toward red, and the band must move too: hue 0 to 10 finds the post in this picture and in picture 1. That is luck with one place and one tray, and you needed the grow picture to find it. Part 5 tries twelve places.

# %% [markdown]
# ## 4. Learn a band from boxes
#
# Numbers typed by hand fit one picture. Better: draw a box around the post in a few pictures and take the colors from there. Its middle hue is a mean, and hue is a circle.
#
# **Predict.** Two pixels of a red thing have the hues 350° and 10°. What is their plain mean, and what color is that?

# %%
from robotlab.color import mean_hue as mean_hue_in_steps

reds = np.array([350.0, 10.0])
plain = reds.mean()
red, green, blue = (round(255 * channel) for channel in colorsys.hsv_to_rgb(plain / 360, 1, 1))
print(f"plain mean {plain:.0f} degrees, which is red {red}, green {green}, blue {blue}")
print(f"mean on the circle {2 * mean_hue_in_steps(reds / 2) % 360:.0f} degrees")

# %% [markdown]
# **Why.** 350° and 10° are 20° apart, but the plain mean goes the long way around and lands on cyan. Think of each hue as an arrow of length 1; add the arrows and see where the sum points: atan2(mean of the sines, mean of the cosines).
#
# **Task 4.** Write `mean_hue(hues_deg)`, in degrees from 0 up to 360.

# %% tags=["starter"]
def mean_hue(hues_deg):
    """Mean of hues on the circle, in degrees, from 0 up to but not including 360.

    hues_deg: (N,) array of hues, degrees.
    """
    ...


# %% tags=["worked"]
def mean_hue(hues_deg):
    """Mean of hues on the circle, in degrees, from 0 up to but not including 360.

    hues_deg: (N,) array of hues, degrees.
    """
    angles = np.radians(hues_deg)
    return np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())) % 360


# %% tags=["verify"]
verify(mean_hue)

# %% [markdown]
# Now the learned band: three daylight pictures, a box around the post in each. The tracker takes the middle of each box, the mean hue on the circle, and how far the pixels lie from it; a little slack at the ends.

# %%
from robotlab.color import ColorTracker

NEAR_AND_FAR_M = (1.5, 2.0, 3.0)


def lessons_under(lamp):
    """Three pictures of the post under one lamp, and the box around the post in each."""
    frames = [render(clear.with_post_at(distance, 0.0).under(lamp), camera) for distance in NEAR_AND_FAR_M]
    return [one.picture for one in frames], [one.truths.boxes[:1] for one in frames]


day_pictures, day_boxes = lessons_under("daylight")
learned = ColorTracker.learn(day_pictures, day_boxes, "post")
print(learned.band_of("post"))

# %% [markdown]
# ## 5. The lamps break it
#
# One picture proves nothing, so we take twelve places of the post, from 1 to 4 m, under each of five lamps. *Found* means that the box of the tracker and the true box overlap by half (IoU at least 0.5; lesson 05 explains it). Everything else is either *wrong*, a box somewhere else, or *nothing*.
#
# **Predict.** Fill in the table on paper: of twelve, how many are found under each lamp?

# %%
from robotlab.boxes import iou

rng = np.random.default_rng(3)
places = [(d, side * d) for d, side in zip(rng.uniform(1.0, 4.0, 12), rng.uniform(-0.28, 0.28, 12))]


def look(scene):
    """Twelve views of the post in a scene, under each lamp."""
    return {lamp: [render(scene.with_post_at(*place).under(lamp), camera) for place in places] for lamp in LAMPS}


def tally(tracker, views):
    """How many of the posts are found, how many boxes are wrong, how often there is none."""
    counts = {"found": 0, "wrong": 0, "nothing": 0}
    for view in views:
        best = tracker.find(view.picture).best()
        if len(best) == 0:
            counts["nothing"] += 1
        elif iou(best.boxes, view.truths.boxes[:1])[0, 0] >= 0.5:
            counts["found"] += 1
        else:
            counts["wrong"] += 1
    return counts


in_the_clear = look(clear)
print("           found  wrong  nothing   (of 12)")
for lamp in LAMPS:
    counts = tally(learned, in_the_clear[lamp])
    print(f"{lamp:<9} {counts['found']:6d} {counts['wrong']:6d} {counts['nothing']:8d}")

# %% [markdown]
# Where has the post's color gone? `lamp_check` compares a band with labeled pictures.

# %%
from robotlab.color import lamp_check


def check(tracker, views):
    """What a tracker's band meets in some views."""
    return lamp_check([tracker.balanced(one.picture) for one in views], tracker.band_of("post"), [one.truths.boxes[:1] for one in views])


print("          of the post in the band   hue moved   largest orange blob is not the post")
for lamp in LAMPS:
    found = check(learned, in_the_clear[lamp])
    print(f"{lamp:<9} {100 * found.coverage:20.0f} % {found.hue_moved_deg:+10.0f}° {100 * found.astray:21.0f} % of the pictures")

# %% [markdown]
# **Why.** The camera measures the color of the thing *times* the color of the light.
# - **Overcast** is a little bluer than the sun; the band has slack enough.
# - **Dusk** is dark. The hue is nearly where it was, but two thirds of the post are below the lowest value that the tracker was taught. Its wrong boxes lie on the post and hold only a piece of it.
# - **Warm** is a sodium-like lamp, nearly one single color. The hue turns by 15° toward yellow, and the post leaves the band altogether: silence.
# - **Grow** has red and blue and hardly any green. The post turns red, and a yellow crate turns into the orange that the post was by day. The tracker is *wrong and sure*, the worst of all.

# %% [markdown]
# ## 6. What can be repaired
#
# Four repairs, and one more scene: the same places, but now the orange tray, a blue drum and a yellow pole stand beside the path.
#
# - **Lower value**: let the band begin at 50 instead of about 100.
# - **Gray world** (white balance): multiply each channel so that the mean of the picture is gray. It undoes a light that scales the channels.
# - **Lab**: measure colors in CIE L\*a\*b\*, where equal distances look about equally different. Everything within a distance of the post's color counts; lightness counts half.
# - **Shape**: the post is 0.07 m wide and 0.50 m tall. A blob must have a width / height from 0.08 to 0.4 and fill half of its box.
#
# **Predict.** Which repair helps under which lamp? Which one helps beside the tray?

# %%
from dataclasses import replace

from robotlab.color import Shape

upright = Shape(aspect=(0.08, 0.4), min_fill=0.5)
darker = replace(learned.band_of("post"), value=(50, 255))
near_in_lab = ColorTracker.learn(day_pictures, day_boxes, "post", kind="lab").band_of("post")
trackers = {
    "as learned": learned,
    "lower value": ColorTracker({"post": darker}),
    "gray world": ColorTracker.learn(day_pictures, day_boxes, "post", balance="grey world"),
    "Lab": ColorTracker({"post": near_in_lab}),
    "Lab, wider": ColorTracker({"post": replace(near_in_lab, radius=near_in_lab.radius + 10)}),
    "shape": ColorTracker({"post": learned.band_of("post")}, shapes=upright),
    "gray world + shape": ColorTracker.learn(day_pictures, day_boxes, "post", balance="grey world", shapes=upright),
    "Lab, wider + shape": ColorTracker({"post": replace(near_in_lab, radius=near_in_lab.radius + 10)}, shapes=upright),
}
beside_others = look(beside)


def table(scenes):
    print(f"{'found (wrong) of 12':<20}" + "".join(f"{lamp:>11}" for lamp in LAMPS))
    for name, tracker in trackers.items():
        counts = [tally(tracker, scenes[lamp]) for lamp in LAMPS]
        print(f"{name:<20}" + "".join(f"{one['found']:6d} ({one['wrong']:2d})" for one in counts))


print("In the clear")
table(in_the_clear)

# %%
print("Beside the tray, the drum and the pole")
table(beside_others)

# %% [markdown]
# And what two of the repairs do to the post's own color, in numbers:

# %%
from robotlab.color import core_pixels


def post_color(views, prepare):
    """The median color in the middle of the post's boxes."""
    pixels = [core_pixels(prepare(one.picture), one.truths.boxes[:1])[0] for one in views]
    return np.median(np.concatenate(pixels), axis=0).astype(np.uint8)[None, None]


gray_world = trackers["gray world"]
print(f"bands: hue {learned.band_of('post').hue} as learned, {gray_world.band_of('post').hue} after gray world; Lab radius {near_in_lab.radius:.1f}")
print("           hue   hue after gray world   distance in Lab")
for lamp in LAMPS:
    before = post_color(in_the_clear[lamp], lambda picture: picture)
    after = post_color(in_the_clear[lamp], gray_world.balanced)
    print(f"{lamp:<9} {hsv(before)[0, 0, 0]:5d} {hsv(after)[0, 0, 0]:22d} {near_in_lab.distance(before)[0, 0]:17.1f}")

# %% [markdown]
# **Why.**
# - **Lower value** mends dusk, where only the brightness has changed. It costs something by day: dark edges join the tray's blob, and the tray wins more often.
# - **Gray world** mends dusk and grow. Both scale the channels, and it scales them back: the post's hue returns from 4 to 8, into the band. It makes *warm* worse, from 18 to 24. Nearly one color of light reaches the camera there, and no factor restores proportions that the light never carried.
# - **Lab** alone is worse than hue. Lab distances grow with the brightness, while hue and saturation are proportions: the overcast post is 12.6 away, the radius learned by day is 8.6. In the clear, ten more mends overcast and dusk and most of grow; beside the tray most of grow is wrong again, and under the warm lamp silence turns into wrong boxes in both scenes. A wider net catches more of everything.
# - **Shape** refuses a blob that cannot be the post. Where the post is a blob too, the post is taken instead: beside the tray 11 become 12. Where the post is outside the band, *wrong* becomes *nothing*: in the clear, the crate under the grow lamp is refused. Beside the pole it fails, because the yellow pole turns orange under the grow lamp, and it is upright as well.
# - **Gray world and shape** together: 11 or 12 of 12 under four lamps, in both scenes, and not one wrong box. Under the warm lamp: nothing.

# %% [markdown]
# ## 7. When color is the wrong tool
#
# One repair is left: teach the tracker under the very lamp it will work under. `lamp_check` says in words what it finds.

# %%
print("Under the warm lamp, taught by day:")
print(check(learned, beside_others["warm"]).sentence)

# %% [markdown]
# **Predict.** We do what it says: three pictures under each lamp, a new band for each. Beside the tray, the drum and the pole, under which lamps is color *alone* now good enough?

# %%
for lamp in LAMPS:
    alone = ColorTracker.learn(*lessons_under(lamp), "post")
    with_shape = ColorTracker.learn(*lessons_under(lamp), "post", shapes=upright)
    verdict = check(alone, beside_others[lamp])
    counts = [tally(one, beside_others[lamp]) for one in (alone, with_shape)]
    print(f"{lamp:<9} " + ", ".join(f"{name}: found {one['found']}, wrong {one['wrong']}" for name, one in zip(("alone", "with shape"), counts)))
    print(f"          {'will do' if verdict.usable else 'WRONG TOOL'}: the largest blob is something else in {100 * verdict.astray:.0f} % of the pictures")

# %% [markdown]
# **Why.** The band can follow the lamp, if you know which lamp it is. It cannot part two things that *have* the same color under that lamp. Under the warm lamp nearly everything is a shade of amber, and even a band made for it leads astray in a third of the pictures. Shape limits rescue most of these. Where `lamp_check` still says "wrong tool" and the lookalikes cannot be taken away, or where the lamp changes during a drive, take a tracker that sees more than color: lesson 07 trains one.
#
# `lamp_check` also works without boxes, before you have labeled anything: it then says whether a second blob is half as large as the largest. That takes ten pictures and a minute. Do it in the room where the robot will drive, at the hour when it will drive.

# %% [markdown]
# ## On your own pictures
#
# Put a few photographs of *your* object, all from one camera, into a folder `my_pictures` beside this notebook. Near, far, at the window, under the lamp. Then run the cell and find the band.

# %% tags=["explore"]
from pathlib import Path

from IPython.display import display

from robotlab.picture import load, resize

paths = sorted(path for path in Path("my_pictures").glob("*") if path.suffix.lower() in (".jpg", ".jpeg", ".png"))[:6]
if paths:
    display(ColorBands({path.stem: resize(load(path), (320, 240)) for path in paths}, Band(hue=(6, 15), saturation=(150, 255), value=(60, 255))))
else:
    print("no pictures yet: make a folder my_pictures beside this notebook and put photographs into it")

# %% [markdown]
# - Where is the hue histogram of your room *empty*? A marker of that color is the cheapest improvement there is.
# - Then draw a box by its four corners in two pictures, `ColorTracker.learn([picture_1, picture_2], [[[x0, y0, x1, y1]], [[x0, y0, x1, y1]]])`, and look at a third with `.find`.
# - Turn off the camera's own automatic white balance and exposure if you can. Otherwise it moves the colors while you measure them.

# %% [markdown]
# ## What to remember
#
# - Hue and saturation are proportions: they stay when the light gets weaker, not when it changes color.
# - Hue is a circle. 179 and 0 are neighbors, and a mean of hues is a mean of arrows.
# - Write the scale beside each hue: degrees, or steps of two degrees.
# - A centroid of everything lies between the things. Split into blobs first.
# - White balance undoes a lamp that scales the channels. It cannot bring back a color that the lamp does not have.
# - A wider band finds more of the post and more of everything else. Shape is what tells equal colors apart.
# - Measure before you drive: `lamp_check`, in the room, at the hour.
#
# ## Sources
#
# - Hue, saturation, value: A. R. Smith, *Color gamut transform pairs*, SIGGRAPH 1978. The check on the numbers is Python's own `colorsys`.
# - L\*a\*b\* and its distance: CIE 15:2018, *Colorimetry*.
# - Gray world: G. Buchsbaum, J. Franklin Inst. 310:1-26, 1980 (cited from memory). Scaling the channels: the assumption of J. von Kries, 1902.
# - The lamps: black-body spectra (Planck's law) for the sky; lines of sodium and of horticultural LEDs from memory. Rendered lamps stand for kinds of light, not for products.
