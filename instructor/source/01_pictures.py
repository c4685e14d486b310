# %% [markdown]
# # Lesson 01: pictures are numbers
#
# **What you will have** at the end: a picture taken apart down to its bytes, and the proof, pixel by pixel, of what happens to a far post when a picture is made smaller.
#
# **You will be able to**
# - find any pixel of a picture, and tell rows from columns and red from blue;
# - turn color into gray, and name a lamp under which that takes the post's contrast away;
# - make a picture smaller without squashing it, by a method that does not lose what is far away;
# - recognize stripes that are not there.
#
# **Time**: 40 minutes. **Needs**: basic Python, loops and arrays. The ten photographs from lesson 00, if you took them.
#
# **Cautions**: none; nothing moves. Before you share a photograph, see who is on it and ask them.
#
# Pictures here are rendered: computed, not taken by a camera.

# %% [markdown]
# ## 1. Rows, columns, colors
#
# The trolley's camera takes a picture 320 pixels wide and 240 high. In Python a picture is a NumPy array. Each pixel is three numbers, how much red, green and blue, from 0 to 255.
#
# **Predict.** What is the array's shape: (320, 240, 3), (240, 320, 3) or (3, 240, 320)? How many bytes does it take?

# %%
import matplotlib.pyplot as plt
import numpy as np

from robotlab import picture as pictures
from robotlab.follow import default_camera
from robotlab.greenhouse import WALKS, render

scene = WALKS["straight"].scene
picture = render(scene.with_post_at(1.5, 0.3), default_camera(320, 240)).picture
print(f"shape {picture.shape}, {picture.dtype}, {picture.nbytes} bytes")

# %% [markdown]
# **Why.** An array is read row by row, so its first axis counts *rows*, from the top. The second counts columns, from the left. 240 · 320 · 3 = 230 400 numbers, and a number from 0 to 255 fits into one byte (`uint8`).
#
# **Predict.** `picture[140, 107]` is one pixel. Is it 140 from the left and 107 from the top, or 140 from the top and 107 from the left? The post is orange. Which of the two lines below prints it?

# %%
print("picture[140, 107] =", picture[140, 107].tolist())
print("picture[107, 140] =", picture[107, 140].tolist())

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(5.4, 4), layout="constrained")
ax.imshow(picture)
ax.set(xlabel="column, px", ylabel="row, px")
for row, column, mark in ((140, 107, "o"), (107, 140, "s")):
    name = f"picture[{row}, {column}]"
    ax.plot(column, row, mark, markersize=11, markerfacecolor="none", color="white", markeredgewidth=3)
    ax.plot(column, row, mark, markersize=11, markerfacecolor="none", color="black", label=name)
names = ax.legend(loc="lower right")

# %% [markdown]
# **Why.** `picture[row, column]`. Much red, some green, hardly any blue: that is orange. But *sizes* are said the other way round, width first: "320 × 240". Mixing the two up is the slip of everybody's first week. Often it does not even raise an error, as here.
#
# Another trap: some libraries keep blue first. Here is the pixel on the post as such a library would read it.

# %%
red, green, blue = picture[140, 107]
print(f"read as red, green, blue: {red}, {green}, {blue}: orange")
print(f"read as blue, green, red: {blue}, {green}, {red}: blue")

# %% [markdown]
# ## 2. A byte runs over
#
# **Predict.** To brighten the picture we add 120 to every byte. What becomes of the pale blue sky: paler, white, dark?

# %%
brighter = picture + np.uint8(120)
sky = picture[10, 160]
print(f"sky before {sky.tolist()}, after {brighter[10, 160].tolist()}")
print(f"{100 * (brighter < picture).mean():.0f} % of all bytes became darker")

# %% tags=["nbval-ignore-output"]
careful = np.clip(picture.astype(int) + 120, 0, 255).astype(np.uint8)

figure, axes = plt.subplots(1, 3, figsize=(9, 2.7), layout="constrained")
titles = ("before", "bytes added", "held at 255")
for ax, one, title in zip(axes, (picture, brighter, careful), titles):
    ax.imshow(one)
    ax.set(title=title, xticks=[], yticks=[])

# %% [markdown]
# **Why.** A byte ends at 255 and starts again at 0. The sky's blue: 208 + 120 = 328, and 328 − 256 = 72. NumPy says nothing. Before you compute with a picture, make larger numbers of its bytes, `picture.astype(float)`, and hold the result between 0 and 255 before you make bytes of it again.

# %% [markdown]
# ## 3. Gray
#
# Gray is one number for each pixel. The eye is most sensitive to green and least to blue, so gray is not the mean of the three: 0.299 red + 0.587 green + 0.114 blue (ITU-R BT.601).
#
# **Predict.** Under which of these lamps is the post, on average, as gray as what lies behind it: daylight, dusk, grow (magenta)?

# %%
from robotlab.widgets.resizing import without_post

camera = default_camera(320, 240)
for lamp in ("daylight", "dusk", "grow"):
    lit = scene.under(lamp).with_post_at(2.0, 0.0)
    frame = render(lit, camera)
    x0, y0, x1, y1 = frame.truths.boxes[0].round().astype(int)
    inside = np.s_[y0 + 2 : y1 - 2, x0 + 1 : x1 - 1]
    behind = render(without_post(lit), camera).picture
    for name, one in (("post", frame.picture), ("behind it", behind)):
        gray, red = pictures.luminance(one)[inside].mean(), one[inside][..., 0].mean()
        print(f"{lamp:<9} {name:<10} gray {gray:3.0f}   red alone {red:3.0f}")

# %% tags=["nbval-ignore-output"]
figure, axes = plt.subplots(1, 4, figsize=(9, 2.3), layout="constrained")
for (left, right), lamp in zip((axes[:2], axes[2:]), ("daylight", "grow")):
    lit = render(scene.under(lamp).with_post_at(2.0, 0.0), camera).picture[60:190, 80:240]
    left.imshow(lit)
    right.imshow(pictures.luminance(lit), cmap="gray", vmin=0, vmax=255)
    left.set(title=lamp, xticks=[], yticks=[])
    right.set(title="in gray", xticks=[], yticks=[])

# %% [markdown]
# **Why.** Under the grow lamp the post sends more red and less green than what lies behind it, and the weighted sums come out nearly equal: 70 and 73. Three numbers became one, and the difference was in what was thrown away. Gray is quick and small. Look at what it costs before you use it.

# %% [markdown]
# ### Task 1
#
# Write `luminance`. Where the cell says `...`, put your own lines, run it, then run the cell beneath it. Stuck? Run `nudge(luminance)` in a new cell: each time it says a little more.

# %% tags=["starter"]
def luminance(picture):
    """Gray value of each pixel, 0 to 255, with its fraction: an array (H, W) of float.

    picture: (H, W, 3) array of uint8; red, green, blue.
    """
    ...


# %% tags=["worked"]
def luminance(picture):
    """Gray value of each pixel, 0 to 255, with its fraction: an array (H, W) of float.

    picture: (H, W, 3) array of uint8; red, green, blue.
    """
    return 0.299 * picture[..., 0] + 0.587 * picture[..., 1] + 0.114 * picture[..., 2]


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(luminance)

# %% [markdown]
# ## 4. Smaller, and not squashed
#
# Small pictures are quick to work on: half as wide and half as high is a quarter of the numbers. Networks often take pictures of some 300 pixels.
#
# **Predict.** A picture of 1920 × 1080 is to be 300 pixels wide, with its proportions kept. How high does it get: 169, 225 or 300 pixels? What share of its bytes is left: 1/6, 1/12 or 1/41?

# %%
factor = 300 / 1920
width_px, height_px = 300, round(1080 * factor)
print(f"{width_px} × {height_px} pixels, 1/{1920 * 1080 / (width_px * height_px):.0f} of the bytes")

# %% [markdown]
# **Why.** One factor for both sides, 300 / 1920 = 0.156; 1080 · 0.156 = 168.75, and pixels are whole. The bytes go with the *area*, so with the factor squared.

# %% [markdown]
# ### Task 2
#
# For any picture, upright ones too: its longer side becomes `longest_px`.

# %% tags=["starter"]
def scaled_size(width_px, height_px, longest_px):
    """Size (width, height), whole px, of the picture scaled so that its longer side is longest_px.

    width_px, height_px: size now, px.  Each side is rounded to the nearest px and is at least 1.
    """
    ...


# %% tags=["worked"]
def scaled_size(width_px, height_px, longest_px):
    """Size (width, height), whole px, of the picture scaled so that its longer side is longest_px.

    width_px, height_px: size now, px.  Each side is rounded to the nearest px and is at least 1.
    """
    longest = max(width_px, height_px)
    width, height = round(width_px * longest_px / longest), round(height_px * longest_px / longest)
    return max(1, width), max(1, height)


# %% tags=["verify"]
verify(scaled_size)

# %% [markdown]
# ## 5. Which pixels make the new one?
#
# Three common methods, when a picture is made smaller:
# - **area**: a new pixel is the mean of all the old ones under it;
# - **linear**: a weighted mean, with the most weight in the middle and some on the neighbors;
# - **nearest**: a new pixel is the one old pixel nearest to its middle; when several are equally near, this library takes the lower right one. The others are dropped.
#
# **Predict.** This picture of 4 × 4 pixels is shrunk to 2 × 2. What is the new pixel at the top left, by area and by nearest?

# %%
four = (np.arange(16, dtype=np.uint8) * 10).reshape(4, 4)
print(four)
for method in ("area", "linear", "nearest"):
    two = pictures.resize(np.dstack([four] * 3), (2, 2), method)[..., 0]
    print(f"{method:<8}", two.tolist())

# %% [markdown]
# **Why.** Under the first new pixel lie 0, 10, 40 and 50: their mean is 25. Nearest took the 50 and dropped three of four. Linear also looked at the neighbors outside of its four, so its values lie closer together.

# %% [markdown]
# ### Task 3
#
# Write the area method.

# %% tags=["starter"]
def shrink(gray, step):
    """A smaller picture: each new pixel is the mean of step × step old ones, (H / step, W / step) of float.

    gray: (H, W) array, gray values.  step: whole number that divides H and W.
    """
    ...


# %% tags=["worked"]
def shrink(gray, step):
    """A smaller picture: each new pixel is the mean of step × step old ones, (H / step, W / step) of float.

    gray: (H, W) array, gray values.  step: whole number that divides H and W.
    """
    height, width = gray.shape
    return gray.reshape(height // step, step, width // step, step).mean(axis=(1, 3))


# %% tags=["verify"]
verify(shrink)

# %% [markdown]
# ## 6. What resizing does to a far post
#
# The guide post is 7 cm wide. At 6 m, in a picture 640 pixels wide, it covers 6 pixels across. We make the picture 8 times smaller: 80 × 60 pixels. Of the post, 0.8 pixels are left.
#
# How far it *stands out*: the largest difference that any pixel shows between the picture with the post and the picture without. 255 would be black against white, 0 is gone.
#
# **Predict.** By which method can the post vanish altogether? By which is it sometimes the clearest of all?

# %%
from robotlab.widgets.resizing import standing_out

large = default_camera(640, 480)
bare = render(without_post(scene), large, noise=0).picture
places_m = np.arange(0, 0.101, 0.01)  # the post moved to the left, 1 cm at a time
posted = [render(scene.with_post_at(6.0, place), large, noise=0).picture for place in places_m]
for smaller in (1, 4, 8, 16):
    size = (640 // smaller, 480 // smaller)
    said = []
    for method in ("area", "linear", "nearest"):
        small_bare = pictures.resize(bare, size, method)
        outs = [standing_out(pictures.resize(one, size, method), small_bare) for one in posted]
        said.append(f"{method} {min(outs):>3} to {max(outs):>3}")
    print(f"{size[0]:>3} × {size[1]:<3}  {'   '.join(said)}")

# %% [markdown]
# **Why.** Area mixes the post with what lies beside it. It gets paler, and it is always there: no old pixel goes unused. Nearest takes one pixel of 8 × 8 and drops 63. If it meets the post, the post is as strong as it ever was. If it passes by, only the post's pale edge is left (22), and in the next smaller picture nothing (1). A post that is there in one picture and not in the next is worse for a tracker than a pale one.
#
# **Try.** Move the post to the left, 1 cm at a time. Count its pixels by each method. Where does *nearest* lose it, and where does area?

# %% tags=["explore"]
from robotlab.widgets import Resizing

Resizing(scene, large)

# %% tags=["still"] picture="methods" alt="The same far post in three small pictures, every pixel magnified. By area and by linear it is a pale brown bar two pixels wide and six high. By nearest there is no post, only leaves and ground in rough patches."
from robotlab.picture import decode

figure, ax = plt.subplots(figsize=(7.4, 3.3), layout="constrained")
ax.imshow(decode(bytes(Resizing(scene, large).picture)), interpolation="nearest")
ax.set_axis_off()

# %% [markdown]
# *Above, as a still for those who have not run the cell: 6 m away, 80 × 60 pixels.*
#
# Enlarging brings nothing back. The best method can only guess between the pixels that are left.

# %% [markdown]
# ## 7. Stripes that are not there
#
# Dropping pixels does not only lose things. It also makes things up. The greenhouse is full of stripes: glazing bars, slats of crates. How fine stripes are is their *frequency*, in cycles per pixel: 0.1 means one dark and one light stripe in every 10 pixels.
#
# **Predict.** Stripes of 0.4 cycles per pixel are fine: a pair takes 2.5 pixels. We keep every second pixel. What frequency do the stripes have in the small picture, in cycles per kept pixel: 0.8, 0.4 or 0.2?

# %%
def frequency(row):
    """The strongest frequency of a row of pixels, cycles per pixel; np.fft.rfft says how much of each is in it."""
    strength = np.abs(np.fft.rfft(row - row.mean()))
    return np.fft.rfftfreq(len(row))[strength.argmax()]


columns = np.arange(400)
row = 127.5 + 127.5 * np.cos(2 * np.pi * 0.4 * columns)
halves = row.reshape(200, 2).mean(axis=1)
for name, one in (("before", row), ("every second", row[::2]), ("means of two", halves)):
    print(f"{name:<13} {frequency(one):.1f} cycles per pixel, gray {one.min():5.1f} to {one.max():5.1f}")

# %% tags=["nbval-ignore-output"]
figure, axes = plt.subplots(3, 1, figsize=(8, 2.6), layout="constrained")
titles = ("40 pixels, 0.4 cycles per pixel", "every second pixel", "means of two pixels")
for ax, one, title in zip(axes, (row[:40], row[:40:2], halves[:20]), titles):
    ax.imshow(one[None], cmap="gray", vmin=0, vmax=255, aspect="auto", interpolation="nearest")
    ax.set_title(title, loc="left", fontsize=10)
    ax.set(xticks=[], yticks=[])

# %% [markdown]
# **Why.** From one kept pixel to the next the stripes move on by 0.8 of a cycle. That looks just like 0.2 of a cycle *backward*. The stripes come out broader than they are, as strong as before, and nothing in the small picture tells that they are false. This is **aliasing**. Nothing finer than 0.5 cycles per pixel, light, dark, light, dark, can be told apart in any picture.
#
# Taking the mean first weakens what is too fine before it can be mistaken: here to a third. So shrink by area or linear, never by nearest, when the picture goes to a tracker.

# %% [markdown]
# ### Task 4

# %% tags=["starter"]
def alias_frequency(cycles_per_px, step):
    """Frequency that is left when only every step-th pixel is kept, in cycles per kept pixel, 0 to 0.5.

    cycles_per_px: frequency of the stripes before, cycles per pixel.  step: whole number, 1 or more.
    """
    ...


# %% tags=["worked"]
def alias_frequency(cycles_per_px, step):
    """Frequency that is left when only every step-th pixel is kept, in cycles per kept pixel, 0 to 0.5.

    cycles_per_px: frequency of the stripes before, cycles per pixel.  step: whole number, 1 or more.
    """
    seen = cycles_per_px * step
    return abs(seen - round(seen))


# %% tags=["verify"]
verify(alias_frequency)

# %% [markdown]
# ## 8. On your own pictures
#
# Copy a photograph of your object into the folder of this lesson, and write its name into the cell. Choose one in which the object is far. Then set `middle` to the row and the column of the object in the *large* picture. With `None` the cell takes a rendered picture.

# %% tags=["explore"]
my_picture = None  # such as "far.jpg"
middle = None      # such as (540, 960): row, column
longest_px = 300   # the longer side of the small pictures

if my_picture:
    mine = pictures.load(my_picture)
else:
    mine = render(scene.with_post_at(6.0, 0.0), default_camera(1920, 1080)).picture
height, width = mine.shape[:2]
row, column = middle or (height // 2, width // 2)
factor = longest_px / max(width, height)
size = (max(1, round(width * factor)), max(1, round(height * factor)))
print(f"{width} × {height} pixels, {mine.nbytes / 1e6:.1f} MB as an array")
print(f"pixel [{row}, {column}] is {mine[row, column].tolist()}")
print(f"small: {size[0]} × {size[1]} pixels, {size[0] * size[1] * 3 / 1e6:.2f} MB")

figure, axes = plt.subplots(1, 4, figsize=(10, 2.9), layout="constrained")
smalls = {method: pictures.resize(mine, size, method) for method in ("area", "linear", "nearest")}
for ax, (title, one) in zip(axes, {"large": mine, **smalls}.items()):
    ax.imshow(one, extent=(0, width, height, 0), interpolation="nearest")
    reach = max(width, height) / 16
    ax.set(xlim=(column - reach, column + reach), ylim=(row + reach, row - reach))
    ax.set(title=title, xticks=[], yticks=[])

# %% [markdown]
# **Try.**
# - How small can `longest_px` become before *you* no longer find the object in the picture by area? Keep that number for lesson 02.
# - Look at the object's pixel under two lamps of your room. Which of its three numbers changes most? Keep both for lesson 03.

# %% [markdown]
# ## What to remember
#
# - `picture[row, column]` gives red, green, blue. Shapes say height first, sizes say width first.
# - Bytes run over silently. Go to float before you compute, hold at 0 and 255 before you come back.
# - Gray = 0.299 R + 0.587 G + 0.114 B. It can hide what color shows.
# - One factor for both sides. Bytes go with its square.
# - Shrink by area or linear. Nearest loses far things and invents stripes.
# - Stripes of f cycles per pixel, every n-th pixel kept: f · n, less the nearest whole number.
#
# ## Sources
#
# - Weights of gray: Recommendation ITU-R BT.601. Other standards weigh otherwise: ITU-R BT.709 has 0.2126, 0.7152, 0.0722.
# - Bytes and how they stand for light: sRGB, IEC 61966-2-1:1999. They are not proportional to light; lesson 03 comes back to it.
# - Half a cycle per sample is the limit: C. E. Shannon, *Communication in the presence of noise*, Proceedings of the IRE 37, 1949.
