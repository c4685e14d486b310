# %% [markdown]
# # Lesson 01: pictures are numbers
#
# **What you will have** at the end: a picture taken apart down to its bytes, and a measurement, pixel by pixel, of what happens to a far post when a picture is made smaller.
#
# **You will be able to**
# - find any pixel of a picture, and tell rows from columns and red from blue;
# - turn color into gray, and say how much of the post's contrast that costs;
# - say what twice the light does to the numbers;
# - make a picture smaller without squashing it, by a method that does not lose what is far away;
# - recognize aliasing: stripes that are not there.
#
# **Time**: 70 minutes. **Needs**: basic Python, loops and arrays. The ten photographs from lesson 00, if you took them.
#
# **Cautions**: none; nothing moves. Before you share a photograph, see who is on it and ask them.
#
# Pictures here are rendered: computed, not taken by a camera.

# %% [markdown]
# ## 1. Rows, columns, colors
#
# The trolley's camera takes a picture 320 pixels wide and 240 high. In Python a picture is a block of numbers, a NumPy **array**. Each pixel is three numbers, how much red, green and blue (**RGB**), from 0 to 255. All the red values together are one **channel** of the picture; it has three.
#
# **Predict.** What is the array's shape: (320, 240, 3), (240, 320, 3) or (3, 240, 320)? How many bytes does it take up?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess(
    "01.shape",
    "What is the shape of the array?",
    choices=("(320, 240, 3)", "(240, 320, 3)", "(3, 240, 320)"),
)

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab import image
from robotlab.greenhouse import WALKS, render
from robotlab.loop import default_camera

scene = WALKS["straight"].scene
picture = render(scene.with_post_at(1.5, 0.3), default_camera(320, 240)).picture
print(f"shape {picture.shape}, {picture.dtype}, {picture.nbytes} bytes")
compare_guess("01.shape", picture.shape)

# %% [markdown]
# **Why.** An array is read row by row, so its first axis counts *rows*, from the top. The second counts columns, from the left. 240 · 320 · 3 = 230 400 numbers, and a number from 0 to 255 fits into one byte (`uint8`).
#
# **Predict.** `picture[140, 107]` is one pixel. Is it 140 from the left and 107 from the top, or 140 from the top and 107 from the left? The post is orange. Which of the two lines below prints it?

# %% tags=["folded"]
# Your guess
guess(
    "01.row_column",
    "Where is picture[140, 107]?",
    choices=(
        "140 from the left, 107 from the top",
        "140 from the top, 107 from the left",
    ),
)

# %%
print("picture[140, 107] =", picture[140, 107].tolist())
print("picture[107, 140] =", picture[107, 140].tolist())
orange = picture[140, 107, 0] > 2 * picture[140, 107, 2]
compare_guess("01.row_column", "140 from the top" if orange else "140 from the left")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(5.4, 4), layout="constrained")
ax.imshow(picture)
ax.set(xlabel="column, px", ylabel="row, px")
for row, column, mark in ((140, 107, "o"), (107, 140, "s")):
    name = f"picture[{row}, {column}]"
    hollow = {"markersize": 11, "markerfacecolor": "none"}
    ax.plot(column, row, mark, color="white", markeredgewidth=3, **hollow)
    ax.plot(column, row, mark, color="black", label=name, **hollow)
ax.legend(loc="lower right")
plt.show()

# %% [markdown]
# **Why.** `picture[row, column]`. Much red, some green, hardly any blue: that is orange. But *sizes* are given the other way around, width first: "320 × 240". Such a size in pixels is the picture's **resolution**. Everybody mixes the two orders up in their first week. Often it does not even raise an error, as here.
#
# Another trap: some libraries put blue first (**BGR**). Here is the pixel on the post as such a library would read it.

# %%
red, green, blue = picture[140, 107]
print(f"read as red, green, blue: {red}, {green}, {blue}: orange")
print(f"read as blue, green, red: {blue}, {green}, {red}: blue")

# %% [markdown]
# ## 2. Brighter
#
# **Predict.** To brighten the picture we add 120 to every byte. How does the pale blue sky turn out: paler, white, dark?

# %% tags=["folded"]
# Your guess
guess(
    "01.sky", "How does the pale blue sky turn out?", choices=("paler", "white", "dark")
)

# %%
brighter = picture + np.uint8(120)
sky = picture[10, 160]
print(f"sky before {sky.tolist()}, after {brighter[10, 160].tolist()}")
print(f"{100 * (brighter < picture).mean():.0f} % of all bytes became darker")
compare_guess("01.sky", "dark" if brighter[10, 160].mean() < sky.mean() else "paler")

# %% tags=["folded", "nbval-ignore-output"]
careful = np.clip(picture.astype(int) + 120, 0, 255).astype(np.uint8)

figure, axes = plt.subplots(1, 3, figsize=(7.4, 2.3), layout="constrained")
titles = ("before", "bytes added", "clipped at 255")
for ax, one, title in zip(axes, (picture, brighter, careful), titles):
    ax.imshow(one)
    ax.set(title=title, xticks=[], yticks=[])

# %% [markdown]
# **Why.** A byte (`uint8`) ends at 255 and starts again at 0: integer **overflow**. The sky's blue: 208 + 120 = 328, and 328 − 256 = 72. NumPy gives no warning. Before you compute with a picture, convert its bytes, `picture.astype(float)`. Before you convert the result back, limit it to the range from 0 to 255; this is **clipping**. In a photograph, what is brighter than 255 is clipped by the camera, and no program can bring it back.
#
# ## 3. Twice the light
#
# **Predict.** We expose the picture for twice as long, so that twice as much light reaches every pixel. A pixel on the post had 133 of red. How much does it have now: 133, 182, 255?

# %% tags=["folded"]
# Your guess
guess("01.twice_the_light", "How much red has it now?", choices=(133, 182, 255))

# %%
reds = {}
for exposure in (0.5, 1.0, 2.0):
    seen = render(
        scene.with_post_at(1.5, 0.0), default_camera(), exposure=exposure, noise=0
    )
    reds[exposure] = int(seen.picture[120, 160, 0])
    print(f"light {exposure:.1f}: red {reds[exposure]}")
ratio = reds[2.0] / reds[1.0]
print(f"ratio {ratio:.2f}, and 2 to the power 1/2.2 = {2 ** (1 / 2.2):.2f}")
compare_guess("01.twice_the_light", reds[2.0])

# %% [markdown]
# **Why.** The eye tells dark shades apart better than bright ones. So that 256 steps are enough, cameras and files give the dark ones more of them: the byte grows about like light to the power 1/2.2. This curve is the **gamma** of the picture; the standard curve is that of sRGB.
#
# $$\text{byte} \approx 255 \cdot \left(\frac{\text{light}}{\text{light of } 255}\right)^{1/2.2}$$
#
# Twice the light multiplies a byte by about 1.37, and a byte of 128 stands for about a fifth of the light of 255. Means of bytes are therefore not quite means of light. Nearly all programs average bytes all the same, and so does this course.

# %% [markdown]
# ## 4. Gray
#
# A gray picture (**grayscale**) has one number for each pixel: how bright it looks, its **luminance**. The eye is most sensitive to green and least to blue, so gray is not the mean of the three channels (ITU-R BT.601):
#
# $$Y = 0.299\,R + 0.587\,G + 0.114\,B$$
#
# (Strictly, luminance is measured in light; the same sum of bytes, gamma included, is called *luma*. Most libraries make no difference, and neither do we.)
#
# How well a thing can be told from what lies behind it is its **contrast**. We measure it as the mean difference, pixel by pixel, between the picture with the post and the same picture without it.
#
# **Predict.** Where is the post's contrast higher, in gray or in the red channel alone? By how much, in daylight and under a magenta grow lamp?

# %% tags=["folded"]
# Your guess
guess(
    "01.gray",
    "Where is the contrast of the post higher under the grow lamp?",
    choices=("in gray", "in red", "about the same"),
)

# %%
from robotlab.widgets import without_post

camera = default_camera(320, 240)
for lighting in ("daylight", "overcast", "dusk", "grow"):
    lit = scene.under(lighting).with_post_at(3.5, 0.0)
    frame = render(lit, camera, noise=0)
    behind = render(without_post(lit), camera, noise=0).picture
    x0, y0, x1, y1 = frame.truths.boxes[0].round().astype(int)
    inside = np.s_[y0 + 2 : y1 - 2, x0 + 1 : x1 - 1]
    gray = image.luminance(frame.picture) - image.luminance(behind)
    red = frame.picture[..., 0].astype(float) - behind[..., 0]
    in_gray, in_red = np.abs(gray[inside]).mean(), np.abs(red[inside]).mean()
    said = f"{in_gray:.0f} in gray, {in_red:.0f} in red"
    print(f"{lighting:<9} contrast of the post: {said}")
for name, color in (("red", (255, 0, 0)), ("green", (0, 130, 0))):
    gray = image.luminance(np.array([[color]], np.uint8))[0, 0]
    print(f"{name:<5} {color}: gray {gray:.0f}")
compare_guess("01.gray", "in red" if in_red > in_gray else "in gray")

# %% tags=["folded", "nbval-ignore-output"]
# A drawing
figure, axes = plt.subplots(1, 4, figsize=(7.4, 2), layout="constrained")
for (left, right), lighting in zip((axes[:2], axes[2:]), ("daylight", "grow")):
    seen = render(scene.under(lighting).with_post_at(2.0, 0.0), camera)
    lit = seen.picture[60:190, 80:240]
    left.imshow(lit)
    right.imshow(image.luminance(lit), cmap="gray", vmin=0, vmax=255)
    left.set(title=lighting, xticks=[], yticks=[])
    right.set(title="in gray", xticks=[], yticks=[])

# %% [markdown]
# **Why.** Under the grow lamp the post sends more red and less green than what lies behind it. In the weighted sum the two partly cancel, and less than half of the contrast is left; under an overcast sky likewise. In daylight the sunlit background is also brighter than the post, and most of the contrast is left. Three numbers became one: a pure red and a middle green are both gray 76, and nothing in a gray picture can tell them apart. Gray is quick and small. Measure what it costs before you use it.

# %% [markdown]
# ### Task 1
#
# Write `luminance`. Where the cell says `...`, put your own lines, run it, then run the cell beneath it. Stuck? Run `nudge(luminance)` in a new cell: each time it says a little more.


# %% tags=["starter"]
def luminance(picture):
    """Gray value of each pixel, 0 to 255, not rounded: an array (H, W) of float.

    picture: (H, W, 3) array of uint8; red, green, blue.
    """
    ...


# %% tags=["worked"]
def luminance(picture):
    """Gray value of each pixel, 0 to 255, not rounded: an array (H, W) of float.

    picture: (H, W, 3) array of uint8; red, green, blue.
    """
    return 0.299 * picture[..., 0] + 0.587 * picture[..., 1] + 0.114 * picture[..., 2]


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(luminance)

# %% [markdown]
# ## 5. Smaller, and not squashed
#
# Small pictures are quick to work on: half as wide and half as high is a quarter of the numbers. Networks often take pictures of some 300 pixels. Making a picture smaller is **downsampling**.
#
# Width divided by height is the **aspect ratio** of a picture: 16 : 9 is 1.78. Whoever changes it squashes everything in the picture, and a detector that has learned a slender post meets a stout one.
#
# **Predict.** A picture of 1920 × 1080 is to become 300 pixels wide, with its aspect ratio kept. How tall is it then: 169, 225 or 300 pixels? What fraction of its bytes is left: 1/6, 1/12 or 1/41?

# %% tags=["folded"]
# Your guess
guess("01.height", "How high is it then?", choices=(169, 225, 300), unit="px")

# %%
factor = 300 / 1920
width_px, height_px = 300, round(1080 * factor)
fewer = 1920 * 1080 / (width_px * height_px)
print(f"{width_px} × {height_px} pixels, 1/{fewer:.0f} of the bytes")
compare_guess("01.height", f"{height_px} px, 1/{fewer:.0f} of the bytes")

# %% [markdown]
# **Why.** One factor for both sides, 300 / 1920 = 0.156; 1080 · 0.156 = 168.75, and pixels are whole. The bytes go with the *area*, so with the square of the factor.

# %% [markdown]
# ### Task 2
#
# For any picture, portrait ones too: its longer side becomes `longest_px`.


# %% tags=["starter"]
def scaled_size(width_px, height_px, longest_px):
    """Size (width, height), whole px, of a picture scaled to longest_px.

    width_px, height_px: size now, px.  longest_px: its longer side afterward, px.
    The aspect ratio is kept; each side is rounded to the nearest px and is at least 1.
    """
    ...


# %% tags=["worked"]
def scaled_size(width_px, height_px, longest_px):
    """Size (width, height), whole px, of a picture scaled to longest_px.

    width_px, height_px: size now, px.  longest_px: its longer side afterward, px.
    The aspect ratio is kept; each side is rounded to the nearest px and is at least 1.
    """
    longest = max(width_px, height_px)
    width = round(width_px * longest_px / longest)
    height = round(height_px * longest_px / longest)
    return max(1, width), max(1, height)


# %% tags=["verify"]
verify(scaled_size)

# %% [markdown]
# ## 6. Which pixels make the new one?
#
# Computing a new pixel from old ones is **interpolation**. Three common methods, when a picture is made smaller:
# - mean of all the old pixels under the new one: **area interpolation**;
# - a mean with weights that fall off in a straight line, in both directions: **bilinear interpolation**, `linear` for short;
# - the one old pixel nearest to the middle of the new one, all others dropped: **nearest-neighbor interpolation**, `nearest` for short. When several are equally near, this library takes the lower right one.
#
# **Predict.** This picture of 4 × 4 pixels is reduced to 2 × 2. What is the new pixel at the top left, by area and by nearest?

# %% tags=["folded"]
# Your guess
guess("01.four_by_four", "The new pixel at the top left, by area and by nearest?")

# %%
four = (np.arange(16, dtype=np.uint8) * 10).reshape(4, 4)
print(four)
for method in ("area", "linear", "nearest"):
    two = image.resize(np.dstack([four] * 3), (2, 2), method)[..., 0]
    print(f"{method:<8}", two.tolist())
tops = {
    method: image.resize(np.dstack([four] * 3), (2, 2), method)[0, 0, 0]
    for method in ("area", "nearest")
}
compare_guess(
    "01.four_by_four", f"{tops['area']} by area, {tops['nearest']} by nearest"
)

# %% [markdown]
# **Why.** Under the first new pixel lie 0, 10, 40 and 50: their mean is 25. Nearest took the 50 and dropped three of four. Linear also looked at neighbors outside these four, so its values lie closer together.

# %% [markdown]
# ### Task 3
#
# Write area interpolation for a whole-number factor.


# %% tags=["starter"]
def shrink(gray, step):
    """A smaller picture: each pixel the mean of step × step, (H / step, W / step).

    gray: (H, W) array, gray values.  step: whole number that divides H and W.
    """
    ...


# %% tags=["worked"]
def shrink(gray, step):
    """A smaller picture: each pixel the mean of step × step, (H / step, W / step).

    gray: (H, W) array, gray values.  step: whole number that divides H and W.
    """
    height, width = gray.shape
    return gray.reshape(height // step, step, width // step, step).mean(axis=(1, 3))


# %% tags=["verify"]
verify(shrink)

# %% [markdown]
# ## 7. What resizing does to a far post
#
# The guide post is 7 cm wide. At 6 m, in a picture 640 pixels wide, it covers 6 pixels across. We make the picture 8 times smaller: 80 × 60 pixels. The post is then 0.8 pixels wide.
#
# How far it *stands out*: the largest difference that any pixel shows between the picture with the post and the picture without. 255 would be black against white, 0 is gone.
#
# A fourth method joins in. The bilinear interpolation of this library widens its weights when it makes a picture smaller, so that every old pixel counts. In many image libraries the default does not: it looks at the four old pixels around the middle of the new one, however many lie under it. Here it is called *four pixels*.
#
# **Predict.** By which methods can the post vanish altogether? By which is it sometimes the clearest of all?

# %% tags=["folded"]
# Your guess
guess("01.vanish", "By which methods can the post vanish?")

# %%
from IPython.display import display
from skimage.transform import resize as skimage_resize

from robotlab.course import Table
from robotlab.widgets import largest_contrast

large = default_camera(640, 480)
bare = render(without_post(scene), large, noise=0).picture
places_m = np.arange(0, 0.101, 0.01)  # the post moved to the left, 1 cm at a time
posted = [
    render(scene.with_post_at(6.0, place), large, noise=0).picture for place in places_m
]


def resized(picture, size, method):
    if method != "four pixels":
        return image.resize(picture, size, method)
    # order 1 is bilinear; without antialiasing it takes four pixels and no more.
    shape = (size[1], size[0])
    small = skimage_resize(picture, shape, 1, anti_aliasing=False, preserve_range=True)
    return small.round().astype(np.uint8)


METHODS = ("area", "linear", "four pixels", "nearest")
rows, vanishing = [], []
for smaller in (1, 4, 8, 16):
    size = (640 // smaller, 480 // smaller)
    row = [f"{size[0]} × {size[1]}"]
    for method in METHODS:
        small_bare = resized(bare, size, method)
        outs = [
            largest_contrast(resized(one, size, method), small_bare) for one in posted
        ]
        row.append(f"{min(outs)} to {max(outs)}")
        if min(outs) < 10 and method not in vanishing:
            vanishing.append(method)
    rows.append(row)
display(Table(["size", *METHODS], rows, "The post stands out by, over 11 places:"))
compare_guess("01.vanish", ", ".join(vanishing))

# %% [markdown]
# **Why.** Area mixes the post with what lies beside it. It gets paler, and it is always there: no old pixel goes unused. The same holds for this library's linear. Nearest takes one pixel of 8 × 8 and drops 63. If that one lies on the post, the post is as strong as it ever was. If it lies beside, only the post's pale edge is left (22), and at 40 × 30 nothing (1). Bilinear interpolation of four pixels drops 60 of 64 and is no better: at its worst, 8 times smaller, the post stands out by 14. The name "linear" alone tells you nothing; read whether your library antialiases when it makes a picture smaller. A post that is there in one picture and gone in the next is worse for a detector than a pale one.
#
# **Try.** Move the post to the left, 1 cm at a time. Count its pixels by each method. Where does *nearest* lose it, and where does area?

# %% tags=["explore"]
from robotlab.widgets import Resizing

Resizing(scene, large)

# %% tags=["still"] picture="methods" alt="The same post, 3 m away, in three pictures made four times smaller, every pixel magnified: by area, by linear and by nearest, an upright brown bar in each."
from robotlab.image import decode

near_by = Resizing(scene, large)
near_by.asked = {
    "number": 1,
    "values": {"distance_m": 3.0, "smaller": 4, "aside_cm": 0},
}
figure, ax = plt.subplots(figsize=(7.4, 3.3), layout="constrained")
ax.imshow(decode(bytes(near_by.picture)), interpolation="nearest")
ax.set_axis_off()

# %% [markdown]
# Enlarging (**upsampling**) brings nothing back. The best method can only guess between the pixels that are left.

# %% [markdown]
# ## 8. Stripes that are not there
#
# Dropping pixels does not only lose things. It also makes things up. The greenhouse is full of stripes: glazing bars, slats of crates. How fine stripes are is their **spatial frequency**, in cycles per pixel: 0.1 means one dark and one light stripe in every 10 pixels.
#
# **Predict.** Stripes of 0.4 cycles per pixel are fine: one dark and one light stripe together take 2.5 pixels. We keep every second pixel. What frequency do the stripes have in the small picture, in cycles per kept pixel: 0.8, 0.4 or 0.2?

# %% tags=["folded"]
# Your guess
guess(
    "01.aliasing",
    "How many cycles per kept pixel have the stripes?",
    choices=(0.8, 0.4, 0.2),
)


# %%
def stripes(cycles_per_px, columns):
    """Gray values of stripes that rise and fall as a cosine does."""
    return 127.5 + 127.5 * np.cos(2 * np.pi * cycles_per_px * columns)


def cycles_per_pixel(row):
    """Bright stripes, counted, for each pixel."""
    bright = (row[1:-1] > row[:-2]) & (row[1:-1] >= row[2:])
    return bright.sum() / len(row)


row = stripes(0.4, np.arange(400))
halves = row.reshape(200, 2).mean(axis=1)
for name, one in (
    ("before", row),
    ("every second", row[::2]),
    ("means of two", halves),
):
    grays = f"gray {one.min():5.1f} to {one.max():5.1f}"
    print(f"{name:<13} {cycles_per_pixel(one):.1f} cycles per pixel, {grays}")
slow = stripes(0.1, np.arange(0, 400, 2))
print("stripes of 0.1 give the same kept pixels:", np.allclose(slow, row[::2]))
compare_guess("01.aliasing", f"{cycles_per_pixel(row[::2]):.1f}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(7, 2.8), layout="constrained")
smooth, kept_columns = np.linspace(0, 20, 801), np.arange(0, 21, 2)
ax.plot(smooth, stripes(0.4, smooth), color="#999999", label="0.4 cycles per pixel")
ax.plot(
    smooth, stripes(0.1, smooth), "--", color="#d55e00", label="0.1 cycles per pixel"
)
ax.plot(
    kept_columns, stripes(0.4, kept_columns), "o", color="#0072b2", label="kept pixels"
)
ax.set(xlabel="column, px", ylabel="gray", xlim=(0, 20), ylim=(-5, 330))
ax.set(xticks=kept_columns, yticks=[0, 128, 255])
ax.legend(loc="upper center", ncols=3, frameon=False)
plt.show()

# %% [markdown]
# **Why.** From one kept pixel to the next the stripes move on by 0.8 of a cycle. That looks just like 0.2 of a cycle *backward*: stripes of 0.1 cycles per old pixel go through the very same dots. The stripes come out broader than they are, as strong as before, and nothing in the small picture shows that they are false. This is **aliasing**. No picture can hold anything finer than 0.5 cycles per pixel (light, dark, light, dark): this is the **Nyquist limit**.
#
# Taking the mean first weakens what is too fine before it can be mistaken for something else: here to a third. This is **antialiasing**. So before a picture goes to a detector, make it smaller by area, or by a bilinear interpolation that antialiases; never by nearest, and never by four pixels.

# %% [markdown]
# ### Task 4
#
# Write `alias_frequency` for stripes of any frequency, when every `step`-th pixel is kept.


# %% tags=["starter"]
def alias_frequency(cycles_per_px, step):
    """Frequency left when every step-th pixel is kept, cycles per kept pixel, 0 to 0.5.

    cycles_per_px: frequency before, cycles per pixel.  step: whole number, 1 or more.
    """
    ...


# %% tags=["worked"]
def alias_frequency(cycles_per_px, step):
    """Frequency left when every step-th pixel is kept, cycles per kept pixel, 0 to 0.5.

    cycles_per_px: frequency before, cycles per pixel.  step: whole number, 1 or more.
    """
    seen = cycles_per_px * step
    return abs(seen - round(seen))


# %% tags=["verify"]
verify(alias_frequency)

# %% [markdown]
# ## 9. On your own pictures
#
# Copy a photograph of your object into the folder of this lesson, and write its name into the cell. Choose one in which the object is far away; portrait or landscape does not matter. Then set `middle` to the row and the column of the object in the *large* picture. With `None` the cell takes a rendered picture.

# %% tags=["explore"]
my_picture = None  # such as "far.jpg"
middle = None  # such as (540, 960): row, column
longest_px = 300  # the longer side of the small pictures

if my_picture:
    mine = image.load(my_picture)
else:
    mine = render(scene.with_post_at(6.0, 0.0), default_camera(1920, 1080)).picture
height, width = mine.shape[:2]
row, column = middle or (height // 2, width // 2)
factor = longest_px / max(width, height)
size = (max(1, round(width * factor)), max(1, round(height * factor)))
print(f"{width} × {height} pixels, {mine.nbytes / 1e6:.1f} MB as an array")
print(f"pixel [{row}, {column}] is {mine[row, column].tolist()}")
megabytes = size[0] * size[1] * 3 / 1e6
print(f"small: {size[0]} × {size[1]} pixels, {megabytes:.2f} MB")

figure, axes = plt.subplots(1, 4, figsize=(7.4, 2.3), layout="constrained")
methods = ("area", "linear", "nearest")
smalls = {method: image.resize(mine, size, method) for method in methods}
for ax, (title, one) in zip(axes, {"large": mine, **smalls}.items()):
    ax.imshow(one, extent=(0, width, height, 0), interpolation="nearest")
    reach = max(width, height) / 16
    ax.set(xlim=(column - reach, column + reach), ylim=(row + reach, row - reach))
    ax.set(title=title, xticks=[], yticks=[])

# %% [markdown]
# **Try.**
# - How small can `longest_px` become before *you* no longer find the object in the picture reduced by area? Keep that number for lesson 02.
# - Photograph the object in two kinds of lighting, by the window and under a lamp. Which of the three numbers of its pixel changes most? Keep both photographs for lesson 03.

# %% [markdown]
# ## What to remember
#
# - `picture[row, column]` gives red, green, blue. Shapes say height first, sizes say width first.
# - Bytes overflow silently. Convert to float before you compute, clip to 0 and 255 before you convert back.
# - Gamma: twice the light is about 1.37 times the byte.
# - Luminance = 0.299 R + 0.587 G + 0.114 B. It loses what only color shows.
# - Keep the aspect ratio: one factor for both sides. Bytes go with its square.
# - Downsample by area, or by a bilinear interpolation that antialiases. Anything else loses far objects and invents stripes.
# - Aliasing of f cycles per pixel, every n-th pixel kept: the distance of f · n from the nearest whole number.
#
# On your own robot you can now:
# - read any pixel of a camera picture, whichever order of rows, columns and colors a library uses;
# - make its pictures smaller for a detector without losing what is far away;
# - tell real stripes from aliasing.
#
# ### Check your understanding
#
# 1. A picture is 640 pixels wide and 480 high. What is its `shape`, and how do you get the pixel in column 100 of row 20?
# 2. A byte is 200, and you add 100 as bytes. What is the result, and what would it be with clipping?
# 3. A photograph of 4000 × 3000 pixels is to have a longer side of 400. What size does it get, and what fraction of its bytes is left?
# 4. Nearest sometimes shows a far post more clearly than area does. Why take area all the same?
# 5. Stripes of 0.3 cycles per pixel; every second pixel is kept. What frequency do you see?
#
# <details><summary>Answers</summary>
#
# 1. (480, 640, 3); `picture[20, 100]`.
# 2. 300 − 256 = 44. With clipping it would be 255.
# 3. 400 × 300; 1/100.
# 4. With nearest, the post comes and goes as it moves by a centimeter. With area it is paler, and always there.
# 5. 0.3 · 2 = 0.6, and the nearest whole number is 1: 0.4 cycles per kept pixel.
#
# </details>
#
# Next: [lesson 02](02_what_the_camera_sees.ipynb), what the camera can see.
#
# ## Sources
#
# - Weights of luminance: Recommendation ITU-R BT.601. Other standards weigh differently: ITU-R BT.709 has 0.2126, 0.7152, 0.0722.
# - Gamma: sRGB, IEC 61966-2-1:1999. Its curve is a power of 2.4 with a straight piece near black, and close to a power of 2.2 as a whole.
# - Half a cycle per sample is the limit: C. E. Shannon, *Communication in the presence of noise*, Proceedings of the IRE 37, 1949.
