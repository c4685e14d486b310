# %% [markdown]
# # Lesson 06: gather and label
#
# **What you will have** at the end: a labeled data set, of your own object if you like, with a detector fitted on it, and a figure for that detector that you can believe.
#
# **You will be able to**
# - plan which pictures to take, from what your camera can see;
# - gather pictures from a film, a camera or photographs, without the blurred ones and the near-duplicates;
# - label a hundred pictures in the time of twenty, and never lose a label;
# - say how far two people's labels agree, and what that means for a detector;
# - split a data set so that its test is honest, and notice when somebody else's is not.
#
# **Time**: 80 minutes, of which 20 are labeling; after part 3 is a good place for a break. With a film of your own, half an hour more. **Needs**: lessons 02 (focal length, working range) and 05 (bounding boxes, IoU).
#
# **Cautions**: nothing moves by itself here. If you film, carry the camera in your hand, look where you step, and do not film people without their consent: pictures stay on this machine, but a data set is easily passed on. The film used below is rendered, and named so.

# %% [markdown]
# ## 1. A plan before the first picture
#
# A detector finds what it was shown. Shown posts at 1 m alone, it will miss the one at 4 m, and no training method repairs that. So the first question is not "how many pictures?" but "of what?". A **capture plan** lists the distances, directions, lightings and backgrounds to be covered, and how many pictures of each.
#
# The distances come from lesson 02. An object of height H at distance Z is
#
# $$h = \frac{f \cdot H}{Z}$$
#
# px tall, with the focal length f in px. The far end of the plan is where the object gets too small, the near end where it fills the picture.
#
# **Predict.** The post is 50 cm tall; the film camera has 288 rows and a focal length of 320 px. From how near is the post taller than the picture? At which distance is it only 24 px tall?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess("06.ends", "Taller than the picture below? 24 px tall at?", unit="m")

# %%
import math
import tempfile
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

from robotlab.practice import nudge, verify

WIDTH, HEIGHT = 384, 288
POST_M = 0.5
focal_px = WIDTH / 2 / math.tan(math.radians(62) / 2)
print(f"focal length {focal_px:.0f} px")
near_m, far_m = (focal_px * POST_M / post_px for post_px in (HEIGHT, 24))
print(f"{HEIGHT} px tall at {near_m:.2f} m, 24 px tall at {far_m:.2f} m")
compare_guess("06.ends", f"{near_m:.2f} and {far_m:.2f} m")

# %% [markdown]
# **Why.** Distance is f · H / height: 160 px·m divided by the height in px. Between 0.6 m and 6.7 m the post can be learned. Here is the plan for it, for a hundred pictures:

# %%
from robotlab.camera import Camera
from robotlab.gather import capture_plan

camera = Camera(WIDTH, HEIGHT, math.radians(62), height_m=0.25)
wanted = {"smallest_px": 24, "lightings": ["daylight"], "backgrounds": 4}
print(capture_plan(camera, POST_M, **wanted).text())

# %% [markdown]
# The ranges of distance grow: each is *farther* than the last by the same factor, not by the same step, since twice as far is half as many px. By equal steps most pictures would be of far posts. A fifth of the pictures is *without* the post. `robotlab plan` prints such a plan on one page, with boxes to check off.
#
# The same formula read backward says how far away a *labeled* post is. So the labels themselves can say what is still missing from the plan.
#
# **Task 1.** Write `distance_counts`: how many labels lie in each range of distance. Stuck? Run `nudge(distance_counts)` in a new cell.


# %% tags=["starter"]
def distance_counts(heights_px, height_m, focal_px, edges_m):
    """How many labels of an object lie in each range of distance, as an array of int.

    heights_px: (N,) array, heights of its boxes.  height_m: how tall it is.
    focal_px: the focal length.  edges_m: (K + 1,) array, rising; range k goes from
    edges_m[k], included, to edges_m[k + 1], not included.  Others are not counted.
    """
    ...


# %% tags=["worked"]
def distance_counts(heights_px, height_m, focal_px, edges_m):
    """How many labels of an object lie in each range of distance, as an array of int.

    heights_px: (N,) array, heights of its boxes.  height_m: how tall it is.
    focal_px: the focal length.  edges_m: (K + 1,) array, rising; range k goes from
    edges_m[k], included, to edges_m[k + 1], not included.  Others are not counted.
    """
    distances = focal_px * height_m / heights_px
    ranges = zip(edges_m[:-1], edges_m[1:])
    return np.array([((distances >= a) & (distances < b)).sum() for a, b in ranges])


# %% tags=["verify"]
verify(distance_counts)

# %% [markdown]
# ## 2. Gather
#
# Now the pictures. Below, a short film is rendered: somebody carries the camera through the greenhouse and films the post in four shots, from different heights, near and far, once with the post leaving the picture. Its frames are saved as photographs, one folder a shot.
#
# Do you have a film of your own? Then leave this lesson as it is for a first reading, and come back with the film at the end: `robotlab gather` takes a film, a camera or a folder of photographs in the same way.

# %% tags=["folded"]
from robotlab.greenhouse import film_frames
from robotlab.image import save

work = Path(tempfile.mkdtemp())


def film(name, seed, frames=160):
    """Save the frames of a rendered film, four shots; the true boxes by shot and file."""
    truths = {}
    for number, frame in enumerate(film_frames(seed=seed, frames=frames)):
        shot, file = f"{name}{4 * number // frames + 1}", f"{number:03d}.jpg"
        save(work / shot / file, frame.picture)
        seen = frame.truths
        truths[shot, file] = seen.boxes[(seen.labels == 0) & (seen.visibility > 0.2)]
    return truths


truths = film("shot", seed=0)
shots = sorted({shot for shot, file in truths})
print(f"{len(truths)} frames in {len(shots)} shots: {', '.join(shots)}")

# %% [markdown]
# At ten frames a second, neighbors look alike. A frame that shows what another has shown is a **near-duplicate**: it costs labeling time and teaches nothing new. Gathering computes a fingerprint of each picture, an **image hash** of 128 bits; it compares the hashes and leaves near-duplicates out. It also leaves out blurred pictures, and says the measure of each, so that you can disagree (`keep=["blurred"]`).
#
# **Predict.** Of 160 frames, how many are worth labeling: about 20, 50, 100 or 150?

# %% tags=["folded"]
# Your guess
guess("06.frames", "Worth labeling, of 160 frames?", choices=(20, 50, 100, 150))

# %%
from robotlab.data import open_dataset
from robotlab.gather import gather

for shot in shots:
    report = gather(
        work / shot, work / "my_set", shot, classes=["post"], progress=False
    )
    print(report.text(1))
gathered = open_dataset(work / "my_set")
compare_guess("06.frames", len(gathered))

# %% [markdown]
# **Why.** Where the camera moves fast, nearly every frame stays; where it stands, few do. Each shot has become one **recording**, and stays together from now on. Part 6 shows why that matters.
#
# What does "blurred" mean as a number? At a sharp edge the gray values jump; after blur they climb. The **Laplacian** of a pixel, the sum of its four neighbors minus four times itself, is large where gray values bend, and near zero on even areas and even slopes. So blur lowers its variance.

# %%
from robotlab.image import blur, sharpness

picture = gathered.load(gathered[5])
for sigma_px in (0, 1, 2, 4):
    blurred = blur(picture, sigma_px) if sigma_px else picture
    print(
        f"blurred by {sigma_px} px: variance of the Laplacian {sharpness(blurred):6.1f}"
    )

# %% [markdown]
# **Why.** One pixel of blur takes away most of it. But the number depends on the scene as well: a sharp picture of a white wall has less than a blurred one of foliage. So a picture is compared with its neighbors in time, never with a fixed limit.
#
# **Task 2.** Write `blur_measure`.


# %% tags=["starter"]
def blur_measure(gray):
    """Variance of the Laplacian of a gray picture: low where it is blurred.

    gray: (H, W) array of float, H and W at least 3.  The Laplacian of a pixel is its
    upper + lower + left + right neighbor - 4 times itself; pixels at the picture's
    edge have none.
    """
    ...


# %% tags=["worked"]
def blur_measure(gray):
    """Variance of the Laplacian of a gray picture: low where it is blurred.

    gray: (H, W) array of float, H and W at least 3.  The Laplacian of a pixel is its
    upper + lower + left + right neighbor - 4 times itself; pixels at the picture's
    edge have none.
    """
    middle = gray[1:-1, 1:-1]
    upper, lower = gray[:-2, 1:-1], gray[2:, 1:-1]
    left, right = gray[1:-1, :-2], gray[1:-1, 2:]
    return (upper + lower + left + right - 4 * middle).var()


# %% tags=["verify"]
verify(blur_measure)

# %% [markdown]
# ## 3. Label twelve, let suggestions do the rest
#
# Labeling an object means to draw its bounding box, tight: each side touches what can be *seen* of it. Three rules, for every picture alike:
# - An object that is partly behind another gets the box of its visible part, and the mark *partly hidden*.
# - An object of which you cannot say what it is gets the mark *not sure*. A detector is then neither asked to find it nor blamed if it does.
# - A picture without the object is labeled too: go on with no box. These **negatives**, above all those with look-alikes, teach what the object is *not*.
#
# **Try.** Draw the post in twelve pictures: drag a box, or click on the post to have it outlined by its color. Enter accepts what is suggested and goes on. After a few pictures the color detector of lesson 03 suggests boxes, drawn with dashes; after twelve a detector is fitted in the background while you go on, and takes over. From then on, the picture comes next about which the detector is least sure, and the line below says why: this is **active learning**. All keys are listed under *Pointer and keys*.
#
# A label is on the disk when the labeler says so. Close the tab, restart the kernel: nothing that was saved is lost. If the labeler is not there when you come back, run its cell again.

# %% tags=["explore"]
from robotlab.label import BoxLabeler

labeler = BoxLabeler(work / "my_set")
labeler

# %% tags=["still"] picture="labeler" alt="A rendered picture of the greenhouse with the orange post. A dashed box around the post is the detector's suggestion, with its score; a solid box is the label. They differ by a few pixels."
from matplotlib.patches import Rectangle

entry = gathered[14]
((x0, y0, x1, y1),) = truths[entry.recording, entry.record["source"]]
figure, ax = plt.subplots(figsize=(4.4, 3.3), layout="constrained")
ax.imshow(gathered.load(entry))
label = Rectangle((x0, y0), x1 - x0, y1 - y0, fill=False, color="#d55e00", lw=2)
shifted = (x0 - 3, y0 + 4), x1 - x0 + 4, y1 - y0 - 7
suggestion = Rectangle(*shifted, fill=False, color="#0072b2", lw=2, ls="--")
ax.add_patch(label)
ax.add_patch(suggestion)
ax.legend([suggestion, label], ["suggested, to be dragged right", "label"], fontsize=9)
ax.set_axis_off()
plt.show()

# %% [markdown]
# Labeling all of it would take you twenty minutes more. So that the rest of this lesson runs at once, the next cell hands the remaining pictures to a **simulated annotator** (in active learning an *oracle*): a program that knows the true boxes of the rendered film. It keeps a suggestion whose IoU with the truth is 0.75 or more, drags one that is off, draws what is missing, and deletes what is wrong. It works on a copy: what you have labeled stays, there and here.
#
# **Predict.** Twelve pictures are drawn by hand, 96 come with suggestions. In how many of the 96 must the simulated annotator draw or drag a box?

# %% tags=["folded"]
# Your guess
guess("06.hand", "Drawn or dragged, in 96 pictures with suggestions?")

# %% tags=["folded"]
from dataclasses import replace


def with_truth(data, truths):
    """The same pictures with the true boxes of the rendered film."""
    bare = [entry.pick(np.zeros(0, int)) for entry in data]
    boxes = [truths[entry.recording, entry.record["source"]] for entry in data]
    columns = [
        "labels",
        "areas",
        "crowd",
        "ignore",
        "visibility",
        "distances_m",
        "annotation_ids",
    ]
    fresh = dict.fromkeys(columns) | {"annotations": ()}
    return data.having(
        [replace(entry, boxes=box, **fresh) for entry, box in zip(bare, boxes)]
    )


# %% tags=["approximate"]
from robotlab.data import write_dataset
from robotlab.label import LabelStore, simulate_labeling

finished = Path(tempfile.mkdtemp(dir=work)) / "my_set"
write_dataset(finished, open_dataset(work / "my_set"))
truth = with_truth(gathered, truths)
first, rest, _ = simulate_labeling(LabelStore(finished), truth, every=96)
for name, effort in (("by hand", first), ("with suggestions", rest)):
    print(f"{name}: {effort.pictures} pictures, {effort.boxes} boxes,", end=" ")
    print(f"{effort.drawn} drawn, {effort.dragged} dragged, {effort.deleted} deleted")
compare_guess("06.hand", f"{rest.drawn + rest.dragged} of {rest.boxes} boxes")

# %% [markdown]
# **Why.** One object of one color in one greenhouse is easy to learn from twelve pictures. Measured in the same way on harder sets, a person draws or drags more: the figures are in the instructor's guide. You then correct suggestions not to save time but to keep the labels right: a suggestion that is accepted although it is wrong is a wrong label, and the next detector learns it.

# %% [markdown]
# ## 4. How good is a label?
#
# Two careful people never draw the same box. How far their labels of the same pictures agree is the **inter-annotator agreement**. It has two parts: whether they saw the same *objects*, and how well the boxes coincide (lesson 05).
#
# For the objects, boxes of the one person are paired with boxes of the other, best IoU first; each box is used once. With P pairs of N and M boxes, the agreement is
#
# $$\frac{2 P}{N + M},$$
#
# 1 if each found all that the other found.
#
# **Predict.** A second person draws the same posts; each side of each box is off by about 1 px, and one post in ten is forgotten. What is the agreement at IoU 0.5, and at IoU 0.9?

# %% tags=["folded"]
# Your guess
guess("06.agreement", "Agreement at IoU 0.5, and at IoU 0.9?")

# %% tags=["approximate"]
from robotlab.boxes import iou

labeled = open_dataset(finished)
rng = np.random.default_rng(6)


def second_person(boxes):
    """Boxes off by a few px, one in ten forgotten."""
    kept = boxes[rng.random(len(boxes)) >= 0.1]
    return kept + rng.normal(0, 1, kept.shape).clip(-2, 2)


pairs = [(entry.boxes, second_person(entry.boxes)) for entry in labeled if len(entry)]
drawn = sum(len(a) + len(b) for a, b in pairs)
overlaps = np.concatenate([iou(a, b).max(axis=0) for a, b in pairs if len(b)])
agreement = {}
for least_iou in (0.5, 0.75, 0.9):
    agreement[least_iou] = 2 * (overlaps >= least_iou).sum() / drawn
    print(f"agreement at IoU {least_iou:.2f}: {agreement[least_iou]:.2f}")
compare_guess("06.agreement", f"{agreement[0.5]:.2f} and {agreement[0.9]:.2f}")

# %% [markdown]
# **Why.** At 0.5 nearly only the forgotten posts cost something. At 0.9 one px costs most of it, since a far post is 5 px wide. So no detector can be asked for AP at an IoU of 0.9 on these labels: two *people* would fail that test.
#
# **Task 3.** Write `label_agreement` for one picture.


# %% tags=["starter"]
def label_agreement(first, second, least_iou):
    """How far two people's boxes of one picture agree, 0 to 1: 2 * pairs / (N + M).

    first: (N, 4) array, second: (M, 4) array, corners x0 y0 x1 y1, px.  The boxes with
    the highest IoU become a pair, then the next of those left over, for as long as
    it is at least least_iou.  Two people who both see nothing agree: 1.0.
    """
    ...


# %% tags=["worked"]
def label_agreement(first, second, least_iou):
    """How far two people's boxes of one picture agree, 0 to 1: 2 * pairs / (N + M).

    first: (N, 4) array, second: (M, 4) array, corners x0 y0 x1 y1, px.  The boxes with
    the highest IoU become a pair, then the next of those left over, for as long as
    it is at least least_iou.  Two people who both see nothing agree: 1.0.
    """
    if len(first) + len(second) == 0:
        return 1.0
    table, count = iou(first, second), 0
    while table.size and table.max() >= least_iou:
        row, column = np.unravel_index(table.argmax(), table.shape)
        table[row, :] = table[:, column] = -1
        count += 1
    return 2 * count / (len(first) + len(second))


# %% tags=["verify"]
verify(label_agreement)

# %% [markdown]
# ## 5. Check before you train
#
# The check-up reads every label and every picture, and says what breaks a rule and what is worth a look.

# %% tags=["nbval-ignore-output"]
import textwrap

from robotlab.data import check_dataset

for line in check_dataset(labeled).text().splitlines()[2:]:
    print(textwrap.fill(line, 70, subsequent_indent="    ", break_on_hyphens=False))

# %% [markdown]
# "Right if nothing is in view": the shot in which the post leaves the picture gave negatives. Now the plan: which distances do the labels cover?

# %% tags=["approximate"]
plan = capture_plan(camera, POST_M, **wanted, data=labeled, target="post")
for quota in plan.group("distance") + plan.group("without it"):
    print(
        f"{quota.label:<30} {quota.there:3d} of {quota.wanted}, {quota.missing} missing"
    )
for shot in shots:
    boxes = np.concatenate([entry.boxes for entry in labeled.only(recordings=shot)])
    distances = focal_px * POST_M / (boxes[:, 3] - boxes[:, 1])
    print(f"{shot}: {distances.min():.1f} to {distances.max():.1f} m")

# %% [markdown]
# **Why.** The middle distances have more than enough, the near ones too few, and nobody has filmed look-alikes without the post. The far ones are enough, but the farthest come from shot4 alone: if that shot is held out as the test, little beyond 4 m is left to learn from. The next walk with the camera should go close, and far once more in another corner. (A box that is cut off at the picture's edge makes its post look farther than it is, so the plan leaves such boxes out.)

# %% [markdown]
# ## 6. An honest split
#
# To know what a detector is worth, it is judged on pictures that it has not learned from. The obvious way: draw a quarter of the pictures at random. The other way: hold out one whole shot.
#
# **Predict.** Which of the two gives the higher figure? And which is nearer to what the detector will do in *another* greenhouse?
#
# Both are fitted and judged below, and then judged on a second rendered film: another greenhouse, objects in other places. So that you need not wait long, each learns from every other picture of its part. AP, 0 to 1, says how well the boxes found and the true boxes agree; lesson 08 explains it.

# %% tags=["folded"]
# Your guess
guess(
    "06.split",
    "Which gives the higher figure, and which is nearer to the truth?",
    choices=(
        "by frame, by frame",
        "by frame, by recording",
        "by recording, by frame",
        "by recording, by recording",
    ),
)

# %% tags=["approximate"]
from robotlab.neural import detect_all, fit, metrics_of

ids = np.array([entry.id for entry in labeled])
chosen = np.random.default_rng(0).permutation(ids)[: len(ids) // 4]
others = [id for id in ids.tolist() if id not in chosen]
by_frame = labeled.only(ids=others[::2]), labeled.only(ids=chosen.tolist())
first = labeled.only(recordings=shots[:3])
by_recording = first.having(first.pictures[::2]), labeled.only(recordings=shots[3])

new_truths = film("other", seed=1, frames=80)
for shot in sorted({shot for shot, file in new_truths}):
    gather(work / shot, work / "other_set", shot, classes=["post"], progress=False)
new_film = with_truth(open_dataset(work / "other_set"), new_truths)


def judge(detector, data):
    """AP of a detector on a data set."""
    return metrics_of(data, detect_all(detector, data))["AP"]


promised, off = {}, {}
for name, (train, test) in (("frame", by_frame), ("recording", by_recording)):
    detector = fit(train, progress=False)
    promised[name], true = judge(detector, test), judge(detector, new_film)
    off[name] = abs(promised[name] - true)
    print(f"split by {name}: {len(train)} pictures to learn from, {len(test)} to judge")
    print(f"  promised AP {promised[name]:.2f}, in another greenhouse {true:.2f}")
higher, nearer = max(promised, key=promised.get), min(off, key=off.get)
compare_guess("06.split", f"by {higher}, by {nearer}")

# %% [markdown]
# **Why.** Both detectors are about equally good. But the split by frame promises what no new place will give: a frame and its neighbor, a tenth of a second away, may stand on either side of it, and then the detector is asked for what it was told. This is **data leakage**, and it is why every split in this course is made by recording.
#
# The split by recording promised what the new place gave, within a few hundredths. It need not come so near: the held-out shot is the one with the farthest posts, and there are only four. Lesson 08 says how sure one can be.
#
# **Predict.** In the split by frame above, which part of the test frames has a training frame at most three frames away: a quarter, half, nearly all?

# %% tags=["folded"]
# Your guess
guess("06.leaked", "With such a neighbor:", choices=("a quarter", "half", "nearly all"))

# %%
from robotlab.data import split_by_recording


def frames_of(data):
    return np.array([int(entry.record["source"][:3]) for entry in data])


train, test = map(frames_of, by_frame)
near = np.abs(test[:, None] - train[None, :]).min(axis=1)
leaked = f"{(near <= 3).sum()} of {len(test)}"
print(f"{leaked} test frames have such a neighbor")
train, test = split_by_recording(labeled, 0.25)
print(f"split_by_recording held out {', '.join(test.recordings)}")
compare_guess("06.leaked", leaked)

# %% [markdown]
# **Task 4.** Write `leaked_part`.


# %% tags=["starter"]
def leaked_part(train, test, near):
    """Part of the test frames, 0 to 1, with a training frame at most `near` away.

    train, test: (N,) and (M,) arrays of int, frame numbers of one film.  M is at
    least 1, N may be 0.
    """
    ...


# %% tags=["worked"]
def leaked_part(train, test, near):
    """Part of the test frames, 0 to 1, with a training frame at most `near` away.

    train, test: (N,) and (M,) arrays of int, frame numbers of one film.  M is at
    least 1, N may be 0.
    """
    if len(train) == 0:
        return 0.0
    return np.mean([np.abs(train - frame).min() <= near for frame in test])


# %% tags=["verify"]
verify(leaked_part)

# %% [markdown]
# And if there is *one* recording alone? Then no split is honest. The least bad one is a split in time with a gap (`split_in_time`): the beginning to learn from, the end to judge on, nothing from between. Room, light and objects are still the same on both sides, so it promises too much; it is a reason to film again, on another day.

# %% [markdown]
# ## On your own pictures
#
# The whole chain, in a terminal, for an object of your choosing. Film it in four or more short shots, as the plan says: near and far, from the left and from the right, in the light in which your robot will drive, and once without the object but with what looks like it.
#
# ```
# robotlab gather walk1.mp4 my_set --recording walk1 --classes mug
# robotlab gather walk2.mp4 my_set --recording walk2
# robotlab gather walk3.mp4 my_set --recording walk3
# robotlab gather walk4.mp4 my_set --recording walk4
# robotlab label my_set
# robotlab checkup my_set
# robotlab fit my_set -o mug.onnx --recordings walk1,walk2 --hold-out walk3
# robotlab judge my_set --recordings walk4 --with mug.onnx
# ```
#
# The third walk chooses the confidence threshold; the fourth chooses nothing and only judges (lesson 07 says why).
#
# Films need OpenCV: `pip install -e ".[video]"`; photographs need nothing more. In this notebook, `BoxLabeler("my_set")` shows the same labeler. It is made for one evening: a hundred pictures, most of them accepted with one key.
#
# The check-up can do more than part 5 showed. With `--html report.html` its report also says whether the boxes are large enough for the network (`robotlab.gather.check_sizes`) and which labels are likely wrong (`suspect_labels`); with `--film set.gif` the whole set flashes by in a film (`time_lapse`).

# %% [markdown]
# ## What to remember
#
# - A detector finds what it was shown. Plan distances, lightings and backgrounds; let the labels say what is missing.
# - Near-duplicates cost time and teach nothing; blur is measured against neighbors, not against a fixed number.
# - Draw tight boxes by one rule. Mark what you are not sure about. Label pictures without the object as well.
# - Suggestions save most of the drawing. Each one that you accept is your label, so look.
# - Two people do not agree to the pixel; no detector can be asked for more.
# - Split by recording. A split by frame promises what no new place will give.
#
# On your own robot you can now:
# - gather and label a data set of your own object in one evening, and know what it covers;
# - say how good your labels are, and which IoU a detector can be asked for;
# - name a figure for your detector that a new room will not refute.
#
# ### Check your understanding
#
# 1. Your mug is 10 cm tall, and its box 40 px. The focal length is 600 px. How far away is it?
# 2. A picture has a variance of the Laplacian of 30, its neighbors in the film have 200. A picture of another film has 30 as well, its neighbors have 35. Which do you leave out?
# 3. Two people label one picture: three boxes and two boxes, two of them the same. What is their agreement?
# 4. A data set from the web has 5000 frames of one drive, split at random into training and test. AP is 0.97. What do you say?
# 5. The detector suggests a box that is a little too wide. You are tired, and press Enter. What happens?
#
# <details><summary>Answers</summary>
#
# 1. 600 · 0.1 / 40 = 1.5 m.
# 2. The first. The second is as sharp as its scene allows.
# 3. 2 · 2 / (3 + 2) = 0.8.
# 4. That it says nothing about another drive: nearly every test frame has a neighbor in the training set. Ask for a second drive to judge on.
# 5. It becomes the label, and the next detector learns to draw such boxes a little too wide. It also raises the figure: the label agrees with the detector.
#
# </details>
#
# Next: [lesson 07](07_train_a_detector.ipynb) takes apart what `fit` has done here.
#
# ## Sources
#
# - Variance of the Laplacian as a measure of focus: J. L. Pech-Pacheco et al., *Diatom autofocusing in brightfield microscopy*, ICPR 2000 (cited from memory).
# - The picture that a model is least sure about comes next (uncertainty sampling): D. D. Lewis, W. A. Gale, *A sequential algorithm for training text classifiers*, SIGIR 1994 (cited from memory).
# - 2 · pairs / (N + M): L. R. Dice, *Measures of the amount of ecologic association between species*, Ecology 26:297-302, 1945 (cited from memory).
# - Split by group and not by sample: what scikit-learn calls `GroupKFold`.
