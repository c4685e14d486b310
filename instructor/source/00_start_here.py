# %% [markdown]
# # Lesson 00: start here
#
# **What you will have** at the end: a trolley that follows a post through a greenhouse, steered by what its camera sees, and a replay of the run. The greenhouse is rendered: every picture in this lesson is computed; none was taken by a camera.
#
# **You will be able to**
# - tell whether this machine is ready for the course;
# - say how large an object is in a picture before you take the picture;
# - find an object by its color, and name two kinds of lighting under which that fails;
# - train a detector on 22 labeled pictures and see where it succeeds instead;
# - close the loop from picture to wheels, and recognize a trolley that is wired backward.
#
# **Time**: 55 minutes. **Needs**: basic Python, loops and arrays. Nothing about vision.
#
# **Cautions**: nothing real moves here. In the last parts of lessons 10 and 11, and in lesson 13, your own robot may. Then: wheels off the ground first, a hand on the power switch, a clear floor, low speed limits, people and pets out of reach. A stop in software is not a safety function.
#
# **How to use a notebook**: click a gray cell and press Shift+Enter; it runs, and its answer appears beneath. Go from top to bottom. Where it says **Predict.**, run the cell beneath it and write your guess into its field; it is kept, and shown again beside the answer. A wrong guess costs nothing and is worth more than a right one. A closed cell holds code that is not the lesson, such as that of a drawing: run it like any other, and click it if you want to read it. After a restart of the kernel choose *Run, Run All Above Selected Cell*; a cell that misses something says so.

# %% [markdown]
# ## 1. Is this machine ready?
#
# If the next cell answers `No module named 'robotlab'`, Jupyter is using a different Python from the one you installed into. Close it, go to the folder you cloned, and start it with `.venv/bin/robotlab open` (Windows: `.venv\Scripts\robotlab open`).

# %% tags=["nbval-ignore-output"]
from robotlab.course import kernel_match
from robotlab.environment import check_environment

machine = check_environment()
print(machine.text())
print(kernel_match().text())

# %%
if machine.ok:
    print("ready")
else:
    print("not ready: fix what is marked above, then run both cells again")

# %% [markdown]
# ## 2. What the camera sees
#
# The trolley has one camera, 25 cm above the ground, looking straight ahead. Its picture is 320 pixels wide and 240 high; this is the picture's **resolution**. From its left edge to its right edge it sees an angle of 62.2°, the camera's horizontal **field of view** (FOV). The guide post is orange, 50 cm tall and 7 cm wide.
#
# **Predict.** The post stands 2 m in front of the camera. How many pixels tall is it in the picture: about 17, 66, 130 or 240?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess(
    "00.post_height",
    "How many pixels tall is the post at 2 m?",
    choices=(17, 66, 130, 240),
    unit="px",
)

# %%
import math

import matplotlib.pyplot as plt
import numpy as np

from robotlab.greenhouse import LIGHTINGS, WALKS, render
from robotlab.loop import default_camera

camera = default_camera()
walk = WALKS["straight"]
scene = walk.scene.with_post_at(2.0, 0.0)
frame = render(scene, camera)
x0, y0, x1, y1 = frame.truths.boxes[0]
name = frame.truths.classes[frame.truths.labels[0]]
print(f"{name}: {y1 - y0:.0f} pixels tall, {x1 - x0:.0f} wide")
compare_guess("00.post_height", f"{y1 - y0:.0f} px")


# %% tags=["folded", "nbval-ignore-output"]
def show(pictures, titles, boxes, wide_in=2.3):
    """Pictures, three to a row, each with its box; None where nothing was found."""
    rows, columns = -(-len(pictures) // 3), min(len(pictures), 3)
    size = (wide_in * columns, 0.9 * wide_in * rows)
    figure, axes = plt.subplots(
        rows, columns, figsize=size, squeeze=False, layout="constrained"
    )
    for ax in axes.flat[len(pictures) :]:
        ax.remove()
    for ax, picture, title, box in zip(axes.flat, pictures, titles, boxes):
        ax.imshow(picture)
        ax.set_title(title)
        ax.set_axis_off()
        if box is not None:
            # Drawn 4 pixels outside, so that the lines do not cover what is in the box.
            x0, y0, x1, y1 = box + np.array([-4, -4, 4, 4])
            for color, width in (("black", 2.6), ("white", 1.0)):
                ax.plot(
                    [x0, x1, x1, x0, x0],
                    [y0, y0, y1, y1, y0],
                    color=color,
                    linewidth=width,
                )


show([frame.picture], ["2 m away (rendered)"], [frame.truths.boxes[0]])

# %% [markdown]
# **Why.** At 2 m the camera sees a strip 2 · 2 m · tan(62.2° / 2) = 2.41 m wide, and spreads it over 320 pixels. That is 133 pixels for each meter, so 0.50 m is 66 pixels:
#
# $$\frac{320\ \text{px}}{2 \cdot 2\ \text{m} \cdot \tan(62.2^\circ / 2)} \cdot 0.50\ \text{m} = 66\ \text{px}$$
#
# (The picture says 67: the 2 m are measured to the middle of the post, and its front is 3.5 cm nearer.) At twice the distance it has half as many. How many pixels an object covers is called its **pixels on target**; the number decides what any program can still find.
#
# **Try.** Move the slider, with the mouse or with the arrow keys. Where is the post only 4 pixels wide? Where do its top and its foot leave the picture?

# %% tags=["explore"]
from robotlab.camera import pixels_on_target
from robotlab.widgets import Slider, SliderPicture


def look(distance_m):
    picture = render(scene.with_post_at(distance_m, 0.0), camera).picture
    tall = pixels_on_target(0.50, distance_m, camera.hfov_rad, camera.width_px)
    wide = pixels_on_target(0.07, distance_m, camera.hfov_rad, camera.width_px)
    cut = ", more than the picture holds" if tall > camera.height_px else ""
    size = f"{tall:.0f} pixels tall{cut} and {wide:.1f} pixels wide"
    return picture, f"{distance_m:.1f} m away: the post is {size}"


SliderPicture(
    look,
    alt="What the camera sees, rendered: the orange post on the path of a greenhouse, "
    "smaller the farther away it is.",
    zoom=2,
    distance_m=Slider(
        0.4, 6.0, start=2.0, step=0.1, label="distance of the post", unit="m"
    ),
)

# %% tags=["still"] picture="distance" alt="Three rendered pictures of the post at 0.5, 3 and 6 m: it fills the picture from top to bottom, then takes a small part of its height, then is a short thin line."
nearer_and_farther = [look(distance)[0] for distance in (0.5, 3.0, 6.0)]
show(nearer_and_farther, ["0.5 m", "3 m", "6 m"], [None] * 3)

# %% [markdown]
# There is a near limit and a far limit. Nearer than about 0.6 m the ends of the post leave the picture. Far away it runs out of pixels: beyond 4.6 m it is less than 4 pixels wide. The distances between the two limits are the **working range**. Lesson 02 measures how few pixels are too few, for your own camera too.

# %% [markdown]
# ## 3. Find it by its color
#
# A program that gets one picture and answers with boxes is a **detector**. The simplest detector knows one thing: which colors the post can have. We show it three pictures in daylight, each with a box around the post. It keeps the range of colors inside the boxes. In a new picture it marks every pixel in that range and puts a box around the largest patch. The upright rectangle around an object is called its **bounding box**; a box together with the name of what is in it is a **detection**. Following one object from picture to picture is a job of its own; it is called **tracking**.
#
# **Predict.** It has learned in daylight. A greenhouse has other lighting too: an overcast sky, dusk, a warm sodium-like lamp, and magenta grow lights. Under how many of these five does it find the post: all, four, three, one?

# %% tags=["folded"]
# Your guess
guess(
    "00.color_lightings",
    "Under how many of the five kinds of lighting does it find the post?",
    choices=("all", "four", "three", "one"),
)

# %%
from robotlab.boxes import iou
from robotlab.color import ColorDetector

lessons = [
    render(scene.with_post_at(distance, 0.0), camera) for distance in (1.5, 2.0, 3.0)
]
color = ColorDetector.learn(
    [one.picture for one in lessons], [one.truths.boxes[:1] for one in lessons], "post"
)

views = {lighting: render(scene.under(lighting), camera) for lighting in LIGHTINGS}


def best_post(detector, view):
    """The detector's box with the highest score, and whether it lies on the post."""
    best = detector.detect(view.picture).of_class("post").best()
    if len(best) == 0:
        return None, "nothing found"
    overlap = iou(best.boxes, view.truths.boxes[:1])[0, 0]
    return best.boxes[0], "found" if overlap >= 0.5 else "wrong place"


for lighting, view in views.items():
    print(f"{lighting:<9} {best_post(color, view)[1]}")
hits = sum(best_post(color, view)[1] == "found" for view in views.values())
compare_guess("00.color_lightings", f"{hits} of {len(views)}")


# %% tags=["folded", "nbval-ignore-output"]
def show_boxes(detector):
    """Every view with the detector's best box for the post."""
    boxes = [best_post(detector, view)[0] for view in views.values()]
    show([view.picture for view in views.values()], list(views), boxes)


show_boxes(color)

# %% [markdown]
# **Why.** What a camera measures is the color of the object *times* the color of the light. Under the warm lamp the orange post turns amber and leaves the range that was learned: the detector misses it, a **false negative** (FN). Under the grow lamp something else takes on the color that the post had by day, and the detector is just as sure of that: its box is a **false positive** (FP). A box in the right place is a **true positive** (TP).
#
# What is right? The renderer knows where the post really is; for a photograph a person draws the box. This known answer is the **ground truth**, and each result is compared with it. "Found" means that both boxes share at least half of the area that they cover together. This ratio is the **intersection over union** (IoU); in lesson 05 you write it yourself. Lesson 03 takes the color detector apart and repairs what can be repaired.

# %% [markdown]
# ## 4. Train a detector
#
# The second detector learns from labels what a post, a bucket and a crate look like: edges and surroundings as well as color. A **label** is a box with a name, drawn by somebody who knows. The detector comes with a network of filters, its **backbone**, that was trained before, on drawn shapes and on rendered greenhouses with things in other colors, never on an orange post, a blue bucket or a yellow crate. You train only the last step, the **head**, on 22 pictures from three drives: in daylight, under an overcast sky and at dusk. Building on a network that was trained for something else is **transfer learning**. It takes a few seconds on a laptop, with no deep-learning framework.
#
# **Predict.** It has seen neither the warm nor the grow lamp. Does it find the post there?

# %% tags=["folded"]
# Your guess
guess(
    "00.trained_lamps",
    "Does the trained detector find the post under the warm and the grow lamp?",
    choices=(
        "under both",
        "under the warm lamp",
        "under the grow lamp",
        "under neither",
    ),
)

# %% tags=["nbval-ignore-output"]
from robotlab.course import shipped
from robotlab.data import open_dataset
from robotlab.neural import fit

data = open_dataset(shipped("datasets/greenhouse"))
drives = data.only(recordings=("day1", "overcast1", "dusk1"))
train = drives.having(drives.pictures[::4])  # every fourth one is enough here
detector = fit(train, seed=0)

# %%
print(f"trained on {len(train)} pictures of {', '.join(train.recordings)}")
print(f"classes: {', '.join(detector.classes)}")
for lighting, view in views.items():
    by_color, trained = best_post(color, view)[1], best_post(detector, view)[1]
    print(f"{lighting:<9} color: {by_color:<14} trained: {trained}")
lamps = [
    name for name in ("warm", "grow") if best_post(detector, views[name])[1] == "found"
]
compare_guess("00.trained_lamps", f"found under: {', '.join(lamps) or 'neither'}")

# %% tags=["folded", "nbval-ignore-output"]
show_boxes(detector)

# %% [markdown]
# **Why.** A tall thin object that stands on the ground remains one, whatever the light. Light that was not in the training pictures is a **domain shift**; the trained detector gets over this one, the color detector does not. It has its price: labels, and more time for each picture. And five pictures of one scene prove nothing; lessons 06 to 08 label, train and judge properly, with intervals that say how sure one can be.

# %% [markdown]
# ## 5. Close the loop
#
# Now the box steers. Ten times a second: take a picture, detect the post, turn toward the middle of the box, drive faster the smaller the box is. What was measured decides the command, and the command changes what is measured next: this is **feedback**, and the whole is a **control loop**. The picture is 0.1 s old when the trolley acts on it; this age is the **latency**. Wheels need time too, and a limit on acceleration keeps their speed from jumping.
#
# **Predict.** The post moves away in a gentle weave, under the grow lamp. Which detector keeps the trolley behind it for 8 seconds: both, the trained one, neither?

# %% tags=["folded"]
# Your guess
guess(
    "00.grow_walk",
    "Which detector keeps the trolley behind the post for 8 seconds?",
    choices=("both", "the trained one", "the color detector", "neither"),
)

# %%
from robotlab.loop import Settings, simulate

walk = WALKS["weave"]
surer_than = {"color": 0.1, "trained": detector.facts["best_score"]}
runs = {}
for name, one in (("color", color), ("trained", detector)):
    settings = Settings(min_score=surer_than[name])
    runs[name] = simulate(one, walk, camera, settings, lighting="grow", duration_s=8)
for name, run in runs.items():
    kept = run.scores()["time_in_view"] > 0.9
    said = "kept the post in view" if kept else "had the post out of view for a while"
    print(f"{name:<8} {said}")
keeps = [name for name, run in runs.items() if run.scores()["time_in_view"] > 0.9]
compare_guess("00.grow_walk", " and ".join(keeps) or "neither")

# %% tags=["approximate"]
for name, run in runs.items():
    scores = run.scores()
    in_view, end_m = 100 * scores["time_in_view"], scores["end_distance_m"]
    print(
        f"{name:<8} in view {in_view:3.0f} % of the time, at the end {end_m:.1f} m off"
    )

# %% tags=["explore"]
from robotlab.loop import replay_pair_html
from robotlab.widgets import Replay

Replay(
    replay_pair_html(*runs.values(), list(runs), "Both detectors, grow lamp"),
    alt="Both runs under the grow lamp, side by side on one clock: for each, "
    "the greenhouse from above and what the camera saw.",
)

# %% tags=["still"] picture="replay" alt="The beginning of a run. Left: the greenhouse from above, with the trolley behind the post, and buckets, crates, plants and pots beside the path. Right: what the trolley's camera saw, magenta under the grow lamp, the post with its bands ahead."
from robotlab.image import decode

run = runs["trained"]
frame_number = 5
tick = int(np.searchsorted(run.t_s, run.picture_t_s[frame_number]))
figure, (plan, seen) = plt.subplots(
    1, 2, figsize=(7.4, 3.2), layout="constrained", width_ratios=[1.25, 1]
)
LOOKS = {
    "bucket": ("s", "#0072b2"),
    "crate": ("D", "#e69f00"),
    "plant": ("^", "#009e73"),
    "pot": ("o", "#999999"),
}
for kind, (mark, shade) in LOOKS.items():
    places = [
        (one["x"], one["y"]) for one in run.facts["things"] if one["kind"] == kind
    ]
    plan.plot(*zip(*places), mark, color=shade, markersize=6, label=kind)
plan.plot(*run.post_m[: tick + 1].T, "--", color="#d55e00", label="post")
plan.plot(*run.post_m[tick], "o", color="#d55e00", markersize=9)
plan.plot(*run.pose[: tick + 1, :2].T, "-", color="black", label="trolley")
x, y, yaw = run.pose[tick]
plan.arrow(x, y, 0.35 * math.cos(yaw), 0.35 * math.sin(yaw), width=0.05, color="black")
plan.set(xlim=(-0.5, 6.0), ylim=(-2.3, 4.6), aspect="equal", xlabel="m", ylabel="m")
plan.set_title(f"from above, after {run.t_s[tick]:.1f} s")
plan.legend(loc="upper left", frameon=False, ncols=2, columnspacing=1)
seen.imshow(decode(run.pictures[frame_number]))
seen.set_title("what the camera saw (rendered)")
seen.set_axis_off()

# %% [markdown]
# **Try.** Press play, or drag the slider; both runs follow one clock. In the first picture of each run, what is inside the yellow box? The line above the color run says that the trolley never found the post; the strip at the bottom is green, *follows*, all the time. How can both be true?
#
# **Why.** From the very first picture the color detector has its box on a yellow crate, which under the grow lamp has the color of the post by day. The trolley steers at the crate, and since there is a box in every picture, the loop assumes that all is well: that is the green strip. The line above counts what the box was really on, and only the ground truth can tell that. A false positive steers as firmly as a true one. So the loop does not need a perfect detector. It needs one that is right most of the time, and that is silent rather than wrong.

# %% [markdown]
# ## 6. Wired the wrong way
#
# Sooner or later everybody swaps the two motors. To see what that alone does, we use a detector that cannot be wrong, since the simulation tells it the ground truth, and we switch off the search that normally begins when the target is lost.
#
# The direction to the post is its **bearing**: the angle from straight ahead, positive to the left.
#
# **Predict.** The post is a little to the left. What does the trolley with the wrong sign do: circle the post, stop at once, or turn away from it faster and faster?

# %% tags=["folded"]
# Your guess
guess(
    "00.wrong_sign",
    "What does the trolley with the wrong sign do?",
    choices=("circle the post", "stop at once", "turn away, faster and faster"),
)

# %%
from robotlab.loop import GroundTruthDetector

wired = {}
for sign in (+1, -1):
    settings = Settings(steering_sign=sign, search_s=0)
    run = simulate(
        GroundTruthDetector(), walk, camera, settings, duration_s=8, pictures=False
    )
    wired[sign] = run
    worst = np.degrees(np.abs(run.true_bearings_rad)).max()
    in_view = 100 * run.scores()["time_in_view"]
    said = f"in view {in_view:3.0f} % of the time, bearing up to {worst:.0f}°"
    print(f"steering sign {sign:+d}: {said}")
compare_guess("00.wrong_sign", f"turns away: {said}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6.4, 2.8), layout="constrained")
lines = {+1: {"color": "#0072b2"}, -1: {"color": "#d55e00", "linestyle": "--"}}
for sign, run in wired.items():
    bearing_deg = np.degrees(run.true_bearings_rad)
    ax.plot(run.t_s, bearing_deg, label=f"steering sign {sign:+d}", **lines[sign])
half_view = np.degrees(camera.hfov_rad) / 2
ax.axhspan(-half_view, half_view, color="#cccccc", alpha=0.4, label="in view")
ax.set(xlim=(0, 8), ylim=(-40, 115), xlabel="time, s", ylabel="bearing of the post, °")
ax.legend(loc="upper center", ncols=3, frameon=False)
ax.spines[["top", "right"]].set_visible(False)

# %% [markdown]
# **Why.** Turning left is positive here, and so is a bearing to the left (ISO 8855: x forward, y left, angles counterclockwise). With the right sign each turn makes the error smaller: **negative feedback**. With the wrong sign each turn makes it larger, so the next turn is larger still: **positive feedback**. After a little more than one second the post is out of view. Here the trolley then holds its last command for a moment and stops. With the search switched on, as in the runs of part 5, it would turn on the spot and drive the post out of view again. This is why the first run of any robot is with its wheels off the ground: hold the object to the left, and check that the wheels would turn the robot left.

# %% [markdown]
# ## 7. Your own photograph
#
# Copy a photograph of the object that your robot is to follow into the folder of this lesson, write its name between the quotes, and run the cell. Any size, portrait or landscape, will do; a phone's HEIC file is refused with a line that says how to convert it. Without a photograph the cell takes the rendered view.
#
# **Predict.** Which other things in your photograph have the color of your object?

# %% tags=["folded"]
# Your guess
guess("00.own_color", "Which other things have the color of your object?")

# %% [markdown]
# Now click the object. The right half shows everything that has the color of the place you clicked, and the text says how many pixels wide and tall the largest patch is: if that is your object, these are its pixels on target.

# %% tags=["explore"]
from robotlab.image import load, resize
from robotlab.widgets import PickColor

my_picture = ""  # such as "mug.jpg", in the folder of this lesson

picture = load(my_picture) if my_picture else views["daylight"].picture
height, width = picture.shape[:2]
factor = 320 / max(height, width)  # as small as the trolley's pictures
PickColor(resize(picture, (round(width * factor), round(height * factor))))

# %% tags=["folded"]
# The answer
compare_guess("00.own_color", "whatever is lit in the right half beside your object")

# %% [markdown]
# **Why.** If something else lights up, the color detector would be led astray there. Lesson 03 shows what can be done about that, lesson 06 how to label your object for a detector of its own.

# %% [markdown]
# ## The map of the course
#
# | | lesson | you will have |
# |---|---|---|
# | 00 | start here (you are here) | a trolley that follows once |
# | 01 | [pictures are numbers](01_pictures.ipynb) | a picture taken apart, and what resizing does to a far post |
# | 02 | [what the camera can see](02_what_the_camera_sees.ipynb) | the near and far limit of your own camera |
# | 03 | [follow a color](03_follow_a_color.ipynb) | a color detector, and the lighting that breaks it |
# | 04 | [what versus where](04_what_versus_where.ipynb) | a classifier, and why it cannot steer |
# | 05 | [boxes](05_boxes.ipynb) | IoU and non-maximum suppression, written by you |
# | 06 | [gather and label](06_gather_and_label.ipynb) | a data set of your own object |
# | 07 | [train a detector](07_train_a_detector.ipynb) | your detector in one file |
# | 08 | [judge it](08_judge_it.ipynb) | precision, recall, average precision, and how sure they are |
# | 09 | [frame time and power](09_frame_time_and_power.ipynb) | what a frame costs, and how long the battery lasts |
# | 10 | [steer](10_steer.ipynb) | a gain, and the latency that limits it |
# | 11 | [smooth and safe](11_smooth_and_safe.ipynb) | a ramp, a watchdog, a plan for a lost target |
# | 12 | [the face-off](12_face_off.ipynb) | color against trained detector, chosen and defended |
# | 13 | [onto your robot](13_onto_your_robot.ipynb) | the first drive, wheels up first; without a robot too |
#
# After 05, take 06, 07 and 08 for the detector, 09 to 11 for time, power and motion, in either order; 12 puts both together, and 13 takes it onto a robot. Two pages to look things up: the [glossary](glossary.md) has the words of the field, the [reference](reference.md) says which function answers which question.
#
# From lesson 01 on there are tasks: you write a function, `verify` checks it, and `nudge` gives a hint. Your progress is kept on this machine only; this cell shows it whenever you run it.

# %% tags=["nbval-ignore-output"]
from robotlab.practice import progress_map

progress_map()

# %% [markdown]
# ## What to remember
#
# - Pixels on target shrink in proportion to distance. Know this number before you buy a camera.
# - A camera measures object times light. Change the lighting, and for a color detector you have changed the object.
# - A trained detector can get over a domain shift, within limits that you must measure.
# - A false positive steers as firmly as a true positive.
# - Check the steering sign with the wheels off the ground.
#
# On your own robot you can now:
# - say how many pixels tall your object will be at any distance, before you buy a camera;
# - name the lighting in which a color detector is likely to fail you;
# - check the steering sign before the first drive.
#
# ### Check your understanding
#
# 1. The post is 66 pixels tall at 2 m. How tall is it at 4 m?
# 2. Under the warm lamp the color detector finds no post. Is that a false positive or a false negative?
# 3. The detector's box and the true box share 40 % of the area that they cover together. Does that count as found in this course?
# 4. Which part of the detector did you train, and which part came trained?
# 5. The post is to the left, and the trolley turns right. What is this kind of feedback called, and what happens next?
#
# <details><summary>Answers</summary>
#
# 1. 33 pixels: twice the distance, half the pixels.
# 2. A false negative. A false positive would be a box where there is no post.
# 3. No: its IoU is 0.4, and 0.5 is the least.
# 4. You trained the head; the backbone came trained. This is transfer learning.
# 5. Positive feedback: each turn makes the error larger, until the post is out of view.
#
# </details>
#
# ## On your own
#
# - Give `simulate` another walk: `list(WALKS)` names them, and `WALKS["reverse"].about` says what each is a test of.
# - `.venv/bin/robotlab tour`, in a terminal in the folder you cloned, runs the whole chain and writes a report with more pictures and numbers.
# - Take ten photographs of the object that your robot is to follow: near, far, at the edge, in the worst light of your room. Keep them for lesson 01.
#
# Next: [lesson 01](01_pictures.ipynb), pictures are numbers.
#
# ## Sources
#
# - Pinhole camera: R. Hartley, A. Zisserman, *Multiple View Geometry in Computer Vision*, 2nd ed., chapter 6.
# - The camera's 62.2°: the published field of view of the IMX219 sensor with its 3.04 mm lens.
# - Axes and signs: ISO 8855. Stops: IEC 60204-1, ISO 13850. For a real machine these, its maker's data sheet and your local rules come before anything said here.
