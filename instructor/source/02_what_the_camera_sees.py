# %% [markdown]
# # Lesson 02: what the camera can see
#
# **What you will have** at the end: the working range of your own camera for your own object, in meters, before you have mounted anything.
#
# **You will be able to**
# - work out a camera's field of view from its data sheet, and say how far to trust it;
# - say how many pixels an object covers at a distance, and how much of that is left when the picture is made smaller;
# - give the working range: from where to where a detector can find your object;
# - turn a column of the picture into a bearing to steer by.
#
# **Time**: 70 minutes. **Needs**: lesson 00; sine and tangent from school. A tape measure for the last part.
#
# **Cautions**: nothing moves here. In the last part, mount or hold the camera so that it cannot fall, and do not look at a bright lamp or the sun through a lens.
#
# All pictures here are rendered: computed, not taken by a camera.

# %% [markdown]
# ## 1. From sensor and lens to an angle
#
# A lens throws a picture of the world onto the sensor behind it. Two lengths decide how much of the world fits: the width of the sensor, and the distance at which the lens makes a sharp picture of something very far away, its **focal length**. Short focal length, wide view. The angle from the left edge of the view to the right edge is the horizontal **field of view** (FOV; horizontal: HFOV).
#
# Seen from above, the axis of the lens cuts this angle into two right-angled triangles. Each has half the sensor on one side and the focal length on the other.

# %% tags=["folded", "nbval-ignore-output"]
import matplotlib.pyplot as plt

from robotlab.course import draw_pinhole

figure, ax = plt.subplots(figsize=(6.4, 4), layout="constrained")
draw_pinhole(ax, hfov_rad=1.0)
plt.show()

# %% [markdown]
# **Predict.** The sensor of one small camera is 3.68 mm wide, its lens has a focal length of 3.04 mm. Is its field of view about 31°, 50°, 62° or 100°?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess(
    "02.field_of_view",
    "How wide is its field of view?",
    choices=(31, 50, 62, 100),
    unit="°",
)

# %%
import math

from robotlab import camera as optics

print(f"{math.degrees(optics.fov_rad(3.68e-3, 3.04e-3)):.1f}°")
compare_guess(
    "02.field_of_view", f"{math.degrees(optics.fov_rad(3.68e-3, 3.04e-3)):.1f}°"
)

# %% [markdown]
# **Why.** Half the sensor is 1.84 mm. The angle whose tangent is 1.84 / 3.04 is 31.2°. The camera sees as much on the other side of its axis: 62.4°. In one formula:
#
# $$\text{HFOV} = 2 \arctan \frac{\text{sensor width}}{2 \cdot \text{focal length}}$$
#
# This formula treats the lens as a small hole in which straight rays cross: the **pinhole camera**. Nearly all of robot vision begins with it.
#
# **Predict.** Here are four cameras, A to D, whose makers publish sensor, lens *and* field of view. For which one will the pinhole camera be farthest off: A, which has the longest lens for its sensor, or D, which has the shortest?

# %% tags=["folded"]
# Your guess
guess(
    "02.farthest_off",
    "For which camera will the formula be farthest off?",
    choices=("A, the longest lens", "D, the shortest lens"),
)

# %%
from IPython.display import display

from robotlab.course import Table

CAMERAS = {  # sensor width mm, focal length mm, published horizontal field of view °
    "A": (3.6288, 3.60, 53.50),
    "B": (3.68, 3.04, 62.2),
    "C": (6.45, 4.74, 66.0),
    "D": (6.45, 2.75, 102.0),
}
rows, off = [], {}
for name, (sensor_mm, focal_mm, published_deg) in CAMERAS.items():
    pinhole_deg = math.degrees(optics.fov_rad(sensor_mm, focal_mm))
    off[name] = published_deg - pinhole_deg
    lengths = f"{sensor_mm:.2f}", f"{focal_mm:.2f}"
    angles = f"{pinhole_deg:.1f}", f"{published_deg:.1f}", f"{off[name]:+.1f}"
    rows.append([name, *lengths, *angles])
heads = [
    "camera",
    "sensor, mm",
    "lens, mm",
    "pinhole, °",
    "published, °",
    "difference, °",
]
display(Table(heads, rows))
worst = max(off, key=lambda name: abs(off[name]))
compare_guess("02.farthest_off", f"{worst}, by {off[worst]:.1f}°")

# %% [markdown]
# **Why.** A and B agree within 0.2°. D, the wide one, sees 2.9° more than a pinhole camera would: wide lenses bend straight lines and squeeze what lies at the edges. This is **lens distortion**, and the pinhole camera has none. C sees 2.5° less than its formula says; the table does not say why. So a data sheet is good to a few degrees. That is enough to choose a camera. Before you build on it, measure (part 7).
#
# Do not take the "inch type" of a sensor for its size. A 1/4" sensor is 3.6 mm wide, not 6.35 mm: the name comes from the glass tubes of old television cameras. Look up the active area in mm.

# %% [markdown]
# ### Task 1
#
# Write `field_of_view`. Where the cell says `...`, put your own lines, run it, then run the cell beneath it. Stuck? Run `nudge(field_of_view)` in a new cell: each time it says a little more.


# %% tags=["starter"]
def field_of_view(sensor_mm, focal_mm):
    """Field of view in rad, from one edge of the picture to the other.

    sensor_mm: width of the sensor, mm.  focal_mm: focal length of the lens, mm.
    """
    ...


# %% tags=["worked"]
def field_of_view(sensor_mm, focal_mm):
    """Field of view in rad, from one edge of the picture to the other.

    sensor_mm: width of the sensor, mm.  focal_mm: focal length of the lens, mm.
    """
    half_rad = math.atan(sensor_mm / 2 / focal_mm)
    return 2 * half_rad


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(field_of_view)

# %% [markdown]
# ## 2. From an angle to pixels
#
# The guide post is 50 cm tall and 7 cm wide. The camera's picture is 320 pixels wide, and spans 62.2°.
#
# **Predict.** The post stands 3 m in front of the camera. How many pixels *wide* is it: about 2, 6, 20 or 60?

# %% tags=["folded"]
# Your guess
guess(
    "02.post_width", "How wide is the post at 3 m?", choices=(2, 6, 20, 60), unit="px"
)

# %%
hfov_rad = math.radians(62.2)
for name, size_m in (("wide", 0.07), ("tall", 0.50)):
    print(f"{optics.pixels_on_target(size_m, 3.0, hfov_rad, 320):.1f} pixels {name}")
compare_guess(
    "02.post_width", f"{optics.pixels_on_target(0.07, 3.0, hfov_rad, 320):.1f} px"
)

# %% tags=["folded", "nbval-ignore-output"]
import matplotlib.pyplot as plt
import numpy as np

from robotlab.greenhouse import WALKS, render
from robotlab.loop import default_camera

camera = default_camera()  # 320 × 240 pixels, 62.2°, 25 cm above the ground, level
scene = WALKS["straight"].scene


def magnify(ax, picture, box, title, margin_px=3):
    """The part of a picture around a box, so large that its pixels can be counted."""
    x0, y0 = np.floor(box[:2]).astype(int) - margin_px
    x1, y1 = np.ceil(box[2:]).astype(int) + margin_px
    height, width = picture.shape[:2]
    ax.imshow(picture, interpolation="nearest", extent=(0, width, height, 0))
    ax.set(xlim=(x0, x1), ylim=(y1, y0), title=title)
    ax.set(xlabel="column, px", ylabel="row, px")
    ax.set_xticks([x0, x1])
    ax.set_xticks(np.arange(x0, x1 + 1), minor=True)
    ax.set_yticks(np.arange(y0, y1 + 1), minor=True)
    ax.grid(which="minor", color="black", linewidth=0.3)


frame = render(scene.with_post_at(3.0, 0.0), camera)

figure, (whole, near) = plt.subplots(
    1, 2, figsize=(7.4, 4), width_ratios=[2.4, 1], layout="constrained"
)
whole.imshow(frame.picture)
whole.set(title="320 × 240 px, the post 3 m away", xticks=[], yticks=[])
magnify(near, frame.picture, frame.truths.boxes[0], "its pixels")

# %% [markdown]
# Count the orange columns: five or six, and paler ones at the edges, where one pixel holds a bit of post and a bit of what lies behind.
#
# **Why.** At 3 m the camera sees a strip 2 · 3 m · tan(62.2° / 2) = 3.62 m wide. Those 3.62 m share 320 pixels, so one pixel is 1.13 cm, and 7 cm are 6.2 pixels. How many pixels an object covers is its **pixels on target**. In one formula, for a picture W pixels wide, an object of size s and a distance Z along the axis, both in m:
#
# $$\text{pixels on target} = \frac{W \cdot s}{2 \cdot Z \cdot \tan(\text{HFOV} / 2)}$$
#
# The part without s and Z, $f = W / (2 \tan(\text{HFOV} / 2))$, is the **focal length in pixels**: here 265 px. With it, pixels on target = f · s / Z. Pixels are square, so the same f gives the height.

# %% [markdown]
# ### Task 2
#
# Write `pixels_on_target`, for any object, distance and camera.


# %% tags=["starter"]
def pixels_on_target(size_m, distance_m, hfov_rad, image_width_px):
    """Pixels on target: how many pixels wide an object is in the picture, not rounded.

    size_m: width of the object, m.  distance_m: along the camera's axis, m.
    hfov_rad: horizontal field of view, rad.  image_width_px: width of the picture, px.
    """
    ...


# %% tags=["worked"]
def pixels_on_target(size_m, distance_m, hfov_rad, image_width_px):
    """Pixels on target: how many pixels wide an object is in the picture, not rounded.

    size_m: width of the object, m.  distance_m: along the camera's axis, m.
    hfov_rad: horizontal field of view, rad.  image_width_px: width of the picture, px.
    """
    strip_m = 2 * distance_m * math.tan(hfov_rad / 2)
    return image_width_px * size_m / strip_m


# %% tags=["verify"]
verify(pixels_on_target)

# %% [markdown]
# ## 3. Drag the post
#
# Left, the greenhouse from above: the trolley's camera at the bottom, its view as a blue fan. Drag the post with the mouse, or click the plan and use the arrow keys. The darker part of the fan is where all of the post is in the picture and at least 12 pixels tall.
#
# **Predict**, then look:
# 1. You drag the post straight to the *side*, 3 m ahead all the time. Does it get smaller?
# 2. You double the field of view from 45° to 90°. Does the post keep half its pixels?
# 3. You make the picture 160 pixels wide instead of 320. Does the post come nearer, get smaller in the view, or lose detail?

# %% tags=["folded"]
# Your guess
guess(
    "02.drag_aside",
    "1. Dragged to the side: does it get smaller?",
    choices=("yes", "no"),
)

# %% tags=["folded"]
# Your guess
guess(
    "02.twice_the_view",
    "2. Twice the field of view: are half of its pixels left?",
    choices=("half", "more than half", "less than half"),
)

# %% tags=["folded"]
# Your guess
guess(
    "02.half_the_picture",
    "3. Half as many pixels in the picture: what happens to the post?",
    choices=("it comes nearer", "it gets smaller in the view", "it loses detail"),
)

# %% tags=["explore"]
from robotlab.widgets import CameraView

CameraView(camera, smallest_px=12)

# %% tags=["still"] picture="plan" alt="First, a plan: the camera at the bottom, its field of view as a fan, and three places of the post: 1 m ahead in the middle, 3 m ahead to the left, 6 m ahead to the right. Then the three rendered pictures: the post large in the middle, smaller on the left, very small on the right."
places = ((1.0, 0.0), (3.0, 1.0), (6.0, -1.0))
figure, axes = plt.subplots(2, 2, figsize=(6.4, 5), layout="constrained")
axes = axes.ravel()
reach = 6.5 * math.tan(camera.hfov_rad / 2)
axes[0].fill([0, reach, -reach], [0, 6.5, 6.5], color="#0072b2", alpha=0.2)
axes[0].plot(0, 0, "^", color="black")
for ax, (ahead, left) in zip(axes[1:], places):
    axes[0].plot(left, ahead, "o", color="#d55e00")
    ax.imshow(render(scene.with_post_at(ahead, left), camera).picture)
    side = (
        f"{abs(left):.0f} m {'left' if left > 0 else 'right'}"
        if left
        else "in the middle"
    )
    ax.set(title=f"{ahead:.0f} m ahead, {side}", xticks=[], yticks=[])
axes[0].set(xlim=(4, -4), ylim=(-0.5, 6.5), aspect="equal")
axes[0].set(ylabel="ahead, m", xlabel="to the left, m")

# %% tags=["folded"]
# The answers
half_m, whole_m = math.tan(math.radians(45) / 2), math.tan(math.radians(90) / 2)
display(
    compare_guess("02.drag_aside", "no: 3 m ahead is 3 m ahead"),
    compare_guess("02.twice_the_view", f"{100 * half_m / whole_m:.0f} % are left"),
    compare_guess("02.half_the_picture", "it loses detail"),
)

# %% [markdown]
# **Why.** (1) No: the formula holds the distance *along the axis*, and that stays 3 m. (2) Less than half: tan 22.5° = 0.41, tan 45° = 1, so 41 % are left. (3) It stays where it is and covers the same fraction of the picture, with half as many pixels across and half as many down.

# %% [markdown]
# ## 4. How few pixels are enough?
#
# Many detectors do not look at the camera's picture. They look at a copy reduced to some 300 pixels, to be quick. Here is the color detector of lesson 00 at work on a 640-pixel picture, and on copies of it that are smaller. Whether it is right is decided by the **ground truth**, the box that the renderer knows to be true. We try two objects: the post, 50 cm tall and 7 cm wide, and a bucket, 27 cm tall and about as wide.
#
# **Predict.** If the detector finds the post up to 5.5 m in the 160-pixel copy, up to where in the 80-pixel one? The bucket is only half as tall as the post. Is it lost nearer than the post or farther away?

# %% tags=["folded"]
# Your guess
guess(
    "02.copy",
    "Found up to 5.5 m in the 160-pixel copy: up to where in the 80-pixel one?",
    unit="m",
)

# %%
from robotlab.boxes import iou
from robotlab.color import ColorDetector
from robotlab.greenhouse import Scene, Thing
from robotlab.image import resize

large = default_camera(640, 480)
distances_m = np.arange(1.0, 20.1, 0.5)
scene_with = {
    "post": lambda distance: scene.with_post_at(distance, 0.0),
    "bucket": lambda distance: Scene((Thing("bucket", distance, 0.0),), seed=3),
}


def truth_of(view, name):
    """The true box of the object."""
    return view.truths.boxes[view.truths.labels == view.truths.classes.index(name)][:1]


def finds(detector, view, name, width_px):
    """Whether the object is found in a copy of this width, at an IoU of 0.5 or more."""
    scale = width_px / view.picture.shape[1]
    copy = resize(view.picture, (width_px, round(view.picture.shape[0] * scale)))
    best = detector.detect(copy).of_class(name).best()
    return len(best) > 0 and iou(best.boxes, truth_of(view, name) * scale)[0, 0] >= 0.5


reached = {}
for name, scene_at in scene_with.items():
    views = {distance: render(scene_at(distance), large) for distance in distances_m}
    taught = [views[distance] for distance in (1.5, 2.0, 3.0)]
    boxes = [truth_of(one, name) for one in taught]
    detector = ColorDetector.learn([one.picture for one in taught], boxes, name)
    for width_px in (300, 240, 160, 80):
        far_m = 0.0
        for distance, view in views.items():
            if not finds(detector, view, name, width_px):
                break
            far_m = distance
        reached[name, width_px] = far_m
        x0, y0, x1, y1 = truth_of(views[far_m], name)[0] * width_px / 640
        last = f"last found {y1 - y0:4.1f} px tall, {x1 - x0:3.1f} px wide"
        print(f"{name:<6} {width_px:>3} px copy: up to {far_m:4.1f} m, {last}")
compare_guess(
    "02.copy", f"{reached['post', 80]:.1f} m; the bucket {reached['bucket', 80]:.1f} m"
)

# %% [markdown]
# **Why.** For one object the meters differ, the pixels hardly. The post is last found 10 to 14 pixels tall and 1.5 to 2 wide, the bucket 4 to 5 pixels tall and as wide. A detector's limit is a number of *pixels*, so the limit in meters grows and shrinks with the width of the picture that the detector gets. Half as wide, half as far.
#
# But the height alone is not the limit. The bucket is found at a third of the post's height, because it is wider. Multiply height and width: both objects are lost at about 15 to 30 pixels *in all*. This detector drops patches of less than 12 pixels as noise, and of a box of 20 some lie at the blurred edge. So for an object h tall and w wide, 20 pixels in all are reached at a height in the picture of $\sqrt{20 \cdot h / w}$: 12 px for the post, 4.5 px for the bucket.
#
# Every detector has such a number, and you find it as we did: by moving the object away until it fails, for *your* object's shape. For the post we take 12 pixels of height from here on.
#
# Now see what 300 pixels leave of a 1920 × 1080 camera. Many networks want a *square*. If the picture is squeezed into it, its **aspect ratio** changes.

# %%
hd = default_camera(1920, 1080)
view = render(scene.with_post_at(6.0, 0.0), hd)
x0, y0, x1, y1 = view.truths.whole_boxes[0]
for width_px, height_px in ((1920, 1080), (300, 169), (300, 300)):
    wide, tall = (x1 - x0) * width_px / 1920, (y1 - y0) * height_px / 1080
    size = f"{wide:4.1f} pixels wide, {tall:5.1f} tall"
    print(f"{width_px:>4} × {height_px:<4} {size}, {tall / wide:4.1f} times as tall")

# %% tags=["folded", "nbval-ignore-output"]
# The same piece of the world each time: of the picture
# 12 % of the width, 24 % of the height.
figure, axes = plt.subplots(1, 3, figsize=(7.4, 3), layout="constrained")
for ax, (width_px, height_px) in zip(axes, ((1920, 1080), (300, 169), (300, 300))):
    copy = resize(view.picture, (width_px, height_px))
    x, y = (x0 + x1) / 2 * width_px / 1920, (y0 + y1) / 2 * height_px / 1080
    half_wide, half_tall = 0.06 * width_px, 0.12 * height_px
    edges = (0, width_px, height_px, 0)
    ax.imshow(copy, interpolation="nearest", extent=edges, aspect="auto")
    ax.set(xlim=(x - half_wide, x + half_wide), ylim=(y + half_tall, y - half_tall))
    ax.set(title=f"{width_px} × {height_px}", xticks=[], yticks=[])
    ax.set_box_aspect(half_tall / half_wide)

# %% [markdown]
# **Why.** 1920 / 300 = 6.4: each new pixel holds what 6.4 × 6.4 old ones held. Squeezed into a square, the post is also 16 / 9 = 1.8 times as slender as it was, and a network that has learned the one shape meets the other. The remedy is to keep the aspect ratio and to fill the rest of the square with gray: **letterboxing**.

# %% [markdown]
# ## 5. Near and far
#
# Far away the object runs out of pixels. Close up it outgrows the picture. What lies between is the **working range**.
#
# **Predict.** A level camera at half the height of the post, 320 × 240 pixels, 62.2°: from where on is all of the post in the picture, rows 0 to 240: 0.25 m, 0.55 m, 1.1 m?

# %% tags=["folded"]
# Your guess
guess(
    "02.near",
    "From where on is all of the post in the picture?",
    choices=(0.25, 0.55, 1.1),
    unit="m",
)

# %%
measured_m = []
for distance in (0.45, 0.50, 0.55, 0.60, 0.65):
    whole = render(scene.with_post_at(distance, 0.0), camera).truths.whole_boxes[0]
    inside = whole[1] >= 0 and whole[3] <= camera.height_px
    measured_m += [distance] if inside else []
    seen = "all of it" if inside else "cut"
    print(f"{distance:.2f} m: rows {whole[1]:6.1f} to {whole[3]:5.1f}: {seen}")

# %%
near_m, far_m = optics.working_range(camera, object_height_m=0.50, smallest_px=12)
print(f"predicted: from {near_m:.2f} m to {far_m:.2f} m")
said = f"{near_m:.2f} m by the formula, {measured_m[0]:.2f} m measured"
compare_guess("02.near", said)

# %% [markdown]
# **Why.** The post fills the picture's height where f · 0.50 m / Z = 240 px, at Z = 0.55 m. It shrinks to 12 px at Z = f · 0.50 m / 12 px = 11.05 m. In one formula, for an object of height h, a picture H pixels high and a detector that needs $h_{min}$ pixels:
#
# $$Z_{near} = \frac{f \cdot h}{H} \qquad Z_{far} = \frac{f \cdot h}{h_{min}}$$
#
# The measured near limit is a little farther, because Z counts to the *middle* of the post and its front is 3.5 cm nearer.
#
# The far limit of 11 m is that of a clean picture in daylight. Blur, dusk and compression move it nearer; lesson 08 measures it for your detector.

# %% [markdown]
# ### Task 3
#
# For a camera that is level and as high as the middle of the object.


# %% tags=["starter"]
def working_range(object_m, smallest_px, hfov_rad, width_px, height_px):
    """Working range, (near_m, far_m) in m, straight ahead of a level camera.

    object_m: height of the object, m; its middle is as high as the lens.
    smallest_px: height in the picture below which the detector loses it, px.
    hfov_rad: horizontal field of view, rad.
    width_px, height_px: size of the picture, px.
    """
    ...


# %% tags=["worked"]
def working_range(object_m, smallest_px, hfov_rad, width_px, height_px):
    """Working range, (near_m, far_m) in m, straight ahead of a level camera.

    object_m: height of the object, m; its middle is as high as the lens.
    smallest_px: height in the picture below which the detector loses it, px.
    hfov_rad: horizontal field of view, rad.
    width_px, height_px: size of the picture, px.
    """
    focal_px = width_px / 2 / math.tan(hfov_rad / 2)
    return focal_px * object_m / height_px, focal_px * object_m / smallest_px


# %% tags=["verify"]
verify(working_range)

# %% [markdown]
# ## 6. Which way?
#
# To steer, the trolley needs a direction, not a column. The angle from straight ahead to the target is its **bearing**. Straight ahead is 0. *Left is positive*, as a turn to the left is (ISO 8855). Columns of a picture grow to the *right*: this is where signs get lost.
#
# The point of the picture that the lens's axis goes through is the **principal point**. We take it to be the middle of the picture; on a real camera it is often some pixels off.
#
# **Predict.** The picture is 320 pixels wide and spans 62.2°. The post is in column 80, halfway between the left edge and the middle. Its bearing: +15.6°, +16.8°, or −15.6°?

# %% tags=["folded"]
# Your guess
guess(
    "02.bearing", "What is its bearing?", choices=("+15.6", "+16.8", "-15.6"), unit="°"
)

# %%
for column_px in (0, 80, 160, 240, 320):
    print(
        f"column {column_px:>3}: {math.degrees(camera.bearing_rad(column_px)):+5.1f}°"
    )
compare_guess("02.bearing", f"{math.degrees(camera.bearing_rad(80)):+.1f}°")

# %% [markdown]
# **Why.** Halfway to the edge is half of the *strip*, not half of the angle. Column 80 is 80 px left of the principal point, f is 265 px, and the angle whose tangent is 80 / 265 is 16.8°:
#
# $$\text{bearing} = \arctan \frac{W / 2 - x}{f}$$
#
# Dividing the 31.1° evenly among the columns gives 15.6°: right in the middle and at the edges, wrong between. On a wide lens the error is larger:

# %%
for view_deg in (62.2, 90.0, 110.0):
    half_rad = math.radians(view_deg / 2)
    columns = np.linspace(0, 1, 1001)  # 0 is the middle, 1 the edge
    error_deg = np.degrees(np.arctan(columns * math.tan(half_rad)) - columns * half_rad)
    print(
        f"{view_deg:5.1f}° wide: equal angles are wrong by up to {error_deg.max():.1f}°"
    )

# %% [markdown]
# ### Task 4
#
# Write `bearing`, for any column and any camera.


# %% tags=["starter"]
def bearing(x_px, width_px, hfov_rad):
    """Bearing of what is seen in column x_px, rad: 0 straight ahead, left positive.

    x_px: px from the left edge of the picture.  width_px: width of the picture, px.
    hfov_rad: horizontal field of view, rad.
    """
    ...


# %% tags=["worked"]
def bearing(x_px, width_px, hfov_rad):
    """Bearing of what is seen in column x_px, rad: 0 straight ahead, left positive.

    x_px: px from the left edge of the picture.  width_px: width of the picture, px.
    hfov_rad: horizontal field of view, rad.
    """
    focal_px = width_px / 2 / math.tan(hfov_rad / 2)
    return math.atan((width_px / 2 - x_px) / focal_px)


# %% tags=["verify"]
verify(bearing)

# %% [markdown]
# ## 7. On your own camera
#
# **Measure its field of view.** Fix the camera 1.00 m in front of a wall, square to it. Lay a tape measure along the wall, level with the lens. Take a picture *in the mode you will use*: for video many cameras use only the middle of the sensor. Read off how much of the tape the picture shows, edge to edge. Then put your numbers into the cell: the strip, the distance, the resolution of the picture, the height of the lens, how far it looks down, and the height *and width* of your object. A phone held upright has its picture's width as the shorter side; the tape then spans that side.
#
# No camera at hand? The numbers below are those of a 1920 × 1080 camera with 70.4°, for the guide post. Run them as they are, then change one at a time.

# %% tags=["explore"]
from dataclasses import replace

strip_m, wall_m = 1.411, 1.00  # how much of the tape is in the picture, how far away
width_px, height_px = 1920, 1080  # the camera's picture
lens_height_m, looks_down_deg = 0.25, 0.0
object_height_m, object_width_m = 0.50, 0.07
pixels_in_all = 20  # your detector's limit; 20 is what we measured above
network_px = 300  # width of the copy that the detector gets

smallest_px = math.sqrt(pixels_in_all * object_height_m / object_width_m)
hfov_rad, pitch_rad = optics.fov_rad(strip_m, wall_m), math.radians(looks_down_deg)
mine = optics.Camera(width_px, height_px, hfov_rad, lens_height_m, pitch_rad)
copy_height_px = round(height_px * network_px / width_px)
copy = replace(mine, width_px=network_px, height_px=copy_height_px)
print(
    f"field of view {math.degrees(hfov_rad):.1f}° × {math.degrees(mine.vfov_rad):.1f}°"
)
print(f"your object is lost when it is less than {smallest_px:.1f} px tall")
for name, one in (("full picture", mine), (f"reduced to {network_px} px", copy)):
    near_m, far_m = optics.working_range(
        one, object_height_m, smallest_px, object_width_m
    )
    if near_m < far_m:
        print(f"{name:<19} from {near_m:.2f} m to {far_m:.1f} m")
    else:
        print(f"{name:<19} no working range: never both whole and large enough")
    object_height_px, object_width_px = (
        one.focal_px * m / 3.0 for m in (object_height_m, object_width_m)
    )
    size = f"{object_height_px:.0f} px tall, {object_width_px:.1f} px wide"
    print(f"{'':<19} at 3 m the object is {size}")

# %% [markdown]
# **Check it.** Put your object at half the far limit of the reduced picture, take a photograph, make it 300 pixels wide (lesson 01, or `robotlab.image.resize`) and count its pixels. It should be twice as tall as the height at which it is lost, within 10 %. If not: was the tape level, the wall square to the camera, the mode the same?
#
# **Try.**
# - Raise the lens to 0.60 m and let it look down by 15°. What happens to the near limit?
# - Your robot is to follow at 1 to 5 m. What is the narrowest copy that still does it?
# - Put in another object that you could follow, wider or more slender. How much does the working range change?
# - A narrower field of view sees farther. What does it cost when the post goes around a corner?

# %% [markdown]
# ## What to remember
#
# - Field of view = 2 · atan(sensor / (2 · focal length)). Good to a few degrees; a tape measure does better.
# - Pixels on target = f · size / distance, with f = (W / 2) / tan(HFOV / 2), and W the width of the picture that the *detector* gets.
# - A detector's limit is a number of pixels. Measure it for your object's shape, then turn it into meters for any camera.
# - Working range: near, the object fills the picture; far, it runs out of pixels. A wider field of view moves both limits nearer.
# - Bearing = atan((W / 2 − x) / f): left is positive, and equal steps in x are not equal angles.
#
# On your own robot you can now:
# - measure the field of view of its camera with a tape measure;
# - state the working range for your object, for the picture that the detector gets;
# - turn a column of the picture into a bearing with the right sign.
#
# ### Check your understanding
#
# 1. A lens with half the focal length, on the same sensor. Does it see more or less, and is its working range nearer or farther?
# 2. An object is 40 pixels wide at 2 m. How wide is it at 5 m? And in a copy of the picture half as wide?
# 3. Your object is lost below 10 pixels of height in a 300-pixel copy, at 6 m. How far do you get with a 600-pixel copy?
# 4. Why must you not squeeze a 16 : 9 picture into a square for a detector that has learned the unsqueezed post?
# 5. The post is right of the middle of the picture. Is its bearing positive or negative?
#
# <details><summary>Answers</summary>
#
# 1. It sees more, and both limits of its working range are nearer: half as many pixels on target.
# 2. 16 pixels; 8 pixels.
# 3. 12 m, if the camera's own picture is at least that wide: the limit is a number of pixels.
# 4. It changes the aspect ratio, so the post looks 1.8 times as slender as the one that was learned. Letterbox it.
# 5. Negative: left is positive.
#
# </details>
#
# Next: [lesson 03](03_follow_a_color.ipynb), follow a color.
#
# ## Sources
#
# - Pinhole camera, principal point and focal length in pixels: R. Hartley, A. Zisserman, *Multiple View Geometry in Computer Vision*, 2nd ed., chapter 6.
# - Sensor widths, focal lengths and fields of view: the makers' published tables for camera modules with the sensors OV5647 (A), IMX219 (B), IMX708 (C) and IMX708 with the wide lens (D); the 1920 × 1080 camera with 70.42° by its data sheet.
# - Inch types of sensors against their sizes in mm: common tables of the trade. They differ by up to 3 % for one and the same name.
# - Axes and signs: ISO 8855.
# - How many pixels a *person* needs to notice or to recognize something: J. Johnson, *Analysis of image forming systems*, 1958. It is about human eyes, and gives no more than an order of magnitude for a detector; this is why part 4 measures.
