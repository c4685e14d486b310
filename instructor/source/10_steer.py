# %% [markdown]
# # Lesson 10: steer
#
# **What you will have** at the end: a steering gain for your own robot, and the reason why a much larger one would make it oscillate.
#
# **You will be able to**
# - say which wheel must turn faster when the target is on the left, and find a swapped motor before the robot moves;
# - turn a box into a bearing, a bearing into a yaw rate, a yaw rate into two wheel speeds;
# - work out from frame rate and latency the gain at which a robot becomes unstable, and find the same gain by trying;
# - say how much of that gain a robot may have, and why.
#
# **Time**: 85 minutes, tasks included; after part 3 is a good place for a break. "If you want more" takes 20 minutes on top, a robot half an hour. **Needs**: lessons 00 and 02.
#
# **Cautions**: nothing real moves before "On your own robot". A robot with the wrong sign or too large a gain turns faster and faster, so read the cautions there before you try anything of this on one. All pictures are rendered; the trolley is simulated.

# %% [markdown]
# ## 1. Which way is plus
#
# Axes are fixed to the trolley: x forward, y to the left, angles counterclockwise (ISO 8855). So left is plus: a target on the left has a positive **bearing** (its angle off the middle, lesson 02), and a turn to the left has a positive turning speed. In rad/s that turning speed is called the **yaw rate**. A picture's columns grow to the *right*, and that is where signs get lost.
#
# **Predict.** The post is seen in column 240 of 320: right of the middle. What are the signs of its bearing and of the yaw rate that turns the trolley toward it? Which wheel must be faster, the left or the right one?

# %% tags=["folded"]
from robotlab.practice import compare_guess, guess

guess("10.wheel", "Which wheel must be faster?", choices=("left", "right", "neither"))

# %%
import math

import matplotlib.pyplot as plt
import numpy as np
from IPython.display import display

from robotlab.control import sign_check, turn_toward
from robotlab.course import Table
from robotlab.loop import GroundTruthDetector, Settings, default_camera, simulate

camera = default_camera()  # 320 × 240 pixels, 62.2° wide
# Ten pictures a second, each 0.3 s old when the wheels get its command.
trolley = Settings(delay_s=0.3)

bearing_rad = camera.bearing_rad(240)
yaw_radps = turn_toward(bearing_rad, gain=1.0)
left_mps, right_mps = trolley.drive.wheels(0.3, yaw_radps)
print(f"bearing {math.degrees(bearing_rad):+.1f}°, yaw rate {yaw_radps:+.2f} rad/s")
print(f"left wheel {left_mps:.2f} m/s, right wheel {right_mps:.2f} m/s")
compare_guess("10.wheel", "left" if left_mps > right_mps else "right")

# %% [markdown]
# **Why.** Right of the middle is a negative bearing, needs a negative yaw rate, and the *left* wheel runs faster. Bearing and yaw rate have the same sign: remember that, and you need no table.

# %% [markdown]
# ### Task 1
#
# From a box to the angle to turn. Stuck? Run `nudge(bearing_error)` in a new cell: each time it says a little more.


# %% tags=["starter"]
def bearing_error(box, width_px, hfov_rad):
    """Angle that the robot must turn to face the target, rad; positive to the left.

    box: (x0, y0, x1, y1), corners of the target's box, px.
    width_px: width of the picture, px.  hfov_rad: horizontal field of view, rad.
    """
    ...


# %% tags=["worked"]
def bearing_error(box, width_px, hfov_rad):
    """Angle that the robot must turn to face the target, rad; positive to the left.

    box: (x0, y0, x1, y1), corners of the target's box, px.
    width_px: width of the picture, px.  hfov_rad: horizontal field of view, rad.
    """
    middle_px = (box[0] + box[2]) / 2
    focal_px = width_px / 2 / math.tan(hfov_rad / 2)
    return math.atan((width_px / 2 - middle_px) / focal_px)


# %% tags=["verify"]
from robotlab.practice import nudge, verify

verify(bearing_error)

# %% [markdown]
# ### When the sign is wrong
#
# Somebody has swapped the two motors. The post stands 2 m ahead, 3° to the left, and the trolley only turns; its gain is 1: one radian a second for each radian of bearing.
#
# **Predict.** How long until the post is out of the picture, 31° off the middle: 1 s, 4 s, 10 s, or never?

# %% tags=["folded"]
# Your guess
guess(
    "10.sign",
    "Swapped motors: out of the picture after",
    choices=("1 s", "4 s", "10 s", "never"),
)

# %% tags=["folded"]
from robotlab.greenhouse import WALKS, Walk

greenhouse = WALKS["straight"].scene
still = Walk(
    "still",
    "The post stands 2 m ahead.",
    (0.0, 60.0),
    ((2.0, 0.0), (2.0, 0.0)),
    greenhouse,
)


def turn_only(settings, off_deg, seconds, detector=GroundTruthDetector()):
    """A run of turning on the spot; at first the post is off_deg to the left."""
    start = (0.0, 0.0, -math.radians(off_deg))
    settings = settings.but(drive_gain=0.0)
    return simulate(
        detector,
        still,
        camera,
        settings,
        duration_s=seconds,
        start=start,
        pictures=False,
    )


# %%
for sign in (+1, -1):
    run = turn_only(
        trolley.but(turn_gain=1.0, steering_sign=sign), off_deg=3, seconds=5
    )
    off_deg = np.degrees(run.true_bearings_rad)
    out = run.t_s[np.abs(off_deg) > 31.1]
    end = (
        f"out of the picture after {out[0]:.1f} s"
        if len(out)
        else "always in the picture"
    )
    first = ", ".join(f"{off_deg[tick]:.1f}°" for tick in (0, 50, 100))
    print(f"sign {sign:+d}: after 0, 1, 2 s it is {first} off;\n    {end}")
compare_guess("10.sign", end)

# %% [markdown]
# **Why.** The trolley acts on what it sees, and what it does changes what it sees next: a **closed loop**. With the right sign each turn makes the error smaller, so the next turn is smaller; the trade calls this **negative feedback**. With the wrong sign each turn makes the error larger, and the next turn larger still: **positive feedback**. The trolley turns away, faster and faster, and no gain is small enough to prevent it.
#
# `GroundTruthDetector` in the code above is a detector that is told where the post is. What is really there is called the **ground truth**; with it the loop is tested without the mistakes of a detector.
#
# A short test finds it, with the *wheels off the ground*: hold the target on the left, then on the right, and watch how the wheels turn. `sign_check` takes what was seen and how fast the wheels ran.
#
# **Predict.** Below are one right way to plug in two motors and four wrong ones. Which of them turn the trolley away from the post? Which wrong one would pass a test with the target on the *left only*?

# %% tags=["folded"]
# Your guess
guess("10.plugs", "Which turn away? Which would pass on the left only?")

# %%
held_rad = [0.3, 0.3, 0.3, -0.3, -0.3, -0.3]  # first on the left, then on the right
told = [trolley.drive.wheels(0.0, turn_toward(bearing, 1.0)) for bearing in held_rad]
PLUGS = {  # what the left and the right wheel do when they are told (left, right)
    "as it should be": lambda left, right: (left, right),
    "motors swapped": lambda left, right: (right, left),
    "left plug reversed": lambda left, right: (-left, right),
    "both wheels on one output": lambda left, right: (right, right),
    "turns left, always": lambda left, right: (-abs(left), abs(right)),
}
rows = []
for name, plug in PLUGS.items():
    lefts, rights = zip(*(plug(*pair) for pair in told))
    result = sign_check(held_rad, lefts, rights)
    kind = "passed" if result.ok else "turns away" if result.flees else "not passed"
    rows.append((name, kind, result.message))
display(Table(("plugged in", "test", "says"), rows, decimals=2))
fleeing = [name for name, kind, _ in rows if kind == "turns away"]
compare_guess("10.plugs", f"turn away: {', '.join(fleeing)}")

# %% [markdown]
# **Why.** Only the swapped motors turn the trolley away from the post. The others drive straight on where they should turn, or turn left forever. One side alone proves little: a trolley that always turns left passes with the target on the left. And the test says nothing about *forward*. So add a third check: with the target far ahead in the middle, both wheels must turn forward.

# %% [markdown]
# ## 2. Turn in proportion, drive in proportion
#
# The simplest law that works: yaw rate = gain · bearing. What is commanded is proportional to the error, hence **proportional control** (P control), and the factor is the **proportional gain**. It says how many radians per second for each radian of bearing, so its unit is 1/s. The distance gets a law of its own: speed = gain · (distance − distance to keep).
#
# Both are cut off at limits, which is called **actuator saturation**. (It has nothing to do with the saturation of a color.) A box in a wrong place asks for a violent turn; the limit decides how violent it gets. The lowest speed is 0: a trolley that cannot see behind itself does not back up.
#
# **Predict.** A bearing of −0.2 rad (11° to the right) and a gain of 1.5/s: what yaw rate? If nothing were late, how much of those 11° would be left after 1 s: all, half, a fifth, nothing?

# %% tags=["folded"]
# Your guess
guess(
    "10.left",
    "Left of the 11° after 1 s?",
    choices=("all", "half", "a fifth", "nothing"),
)

# %%
yaw_radps = turn_toward(-0.2, gain=1.5)
print(f"yaw rate {yaw_radps:+.2f} rad/s, that is {math.degrees(yaw_radps):+.0f}°/s")
compare_guess("10.left", f"{100 * math.exp(-1.5):.0f} %")

# %% [markdown]
# **Why.** The turn slows as the error shrinks, so the last bit takes longest. With gain K the error falls to 37 % in 1/K seconds, to 14 % in twice that, and to 5 % in three times that: it is proportional to $e^{-K t}$, and 1/K is its **time constant**.

# %% [markdown]
# ### Task 2


# %% tags=["starter"]
def p_law(
    bearing_rad,
    distance_m,
    turn_gain,
    drive_gain,
    following_distance_m,
    max_yaw_radps,
    max_mps,
):
    """Wanted motion (v_mps, yaw_radps): forward speed, m/s, and yaw rate, rad/s.

    bearing_rad: where the target is, rad, positive to the left.
    distance_m: how far away it is, m.
    turn_gain: yaw rate for each rad, 1/s.  drive_gain: speed for each m too far, 1/s.
    following_distance_m: distance to keep, m.
    max_yaw_radps: limit of the yaw rate, to either side.
    max_mps: limit of the speed; the robot never drives backward.
    """
    ...


# %% tags=["worked"]
def p_law(
    bearing_rad,
    distance_m,
    turn_gain,
    drive_gain,
    following_distance_m,
    max_yaw_radps,
    max_mps,
):
    """Wanted motion (v_mps, yaw_radps): forward speed, m/s, and yaw rate, rad/s.

    bearing_rad: where the target is, rad, positive to the left.
    distance_m: how far away it is, m.
    turn_gain: yaw rate for each rad, 1/s.  drive_gain: speed for each m too far, 1/s.
    following_distance_m: distance to keep, m.
    max_yaw_radps: limit of the yaw rate, to either side.
    max_mps: limit of the speed; the robot never drives backward.
    """
    yaw_radps = min(max(turn_gain * bearing_rad, -max_yaw_radps), max_yaw_radps)
    v_mps = min(max(drive_gain * (distance_m - following_distance_m), 0.0), max_mps)
    return v_mps, yaw_radps


# %% tags=["verify"]
verify(p_law)

# %% [markdown]
# ### Standing off
#
# **Predict.** The post walks straight ahead at 0.30 m/s. The trolley is to keep 1.20 m, with a gain of 1.2/s. Which distance does it really hold: 1.20 m, 1.45 m, or does it fall behind forever?

# %% tags=["folded"]
# Your guess
guess(
    "10.gap",
    "Which distance does it hold?",
    choices=("1.20 m", "1.45 m", "it falls behind"),
)

# %%
run = simulate(
    GroundTruthDetector(),
    WALKS["straight"],
    camera,
    trolley,
    duration_s=15,
    pictures=False,
)
for t_s in (0, 5, 10, 15):
    tick = int(np.searchsorted(run.t_s, t_s - 1e-6))
    away_m, speed_mps = run.true_distances_m[tick], run.speeds_mps[tick]
    print(f"after {t_s:>2} s: {away_m:.2f} m away, driving {speed_mps:.2f} m/s")
compare_guess("10.gap", f"{away_m:.2f} m")

# %% [markdown]
# **Why.** To drive at 0.30 m/s the law *needs* an error: 0.30 / 1.2 = 0.25 m too far. P control trails whatever moves steadily, by speed / gain. This lasting gap is the **steady-state error**. For the distance it hardly matters: you keep 1.45 m and know why. (The library also slows down by the cosine of the bearing, so that the trolley turns before it drives.)

# %% [markdown]
# ## 3. From a motion to two wheels, and back
#
# A trolley with two driven wheels turns because one of them is faster: a **differential drive**. The wheels are a distance L apart, the **track width**, so each is L/2 from the middle:
#
# $$v_\mathrm{left} = v - \omega L / 2, \qquad v_\mathrm{right} = v + \omega L / 2$$
#
# with the forward speed $v$ and the yaw rate $\omega$.
#
# **Predict.** You ask for 0.5 m/s and 2 rad/s, the wheels are 0.3 m apart and can do 0.4 m/s. The right one would need 0.8. Let the right wheel alone saturate: what is the radius of the circle then, instead of 0.25 m?

# %% tags=["folded"]
# Your guess
guess("10.radius", "The radius with one wheel saturated?", unit="m")

# %%
from robotlab.control import scale_wheel_speeds

left_mps, right_mps = trolley.drive.wheels(0.5, 2.0)
one_saturated, both_slower = (
    (left_mps, min(right_mps, 0.4)),
    scale_wheel_speeds(left_mps, right_mps, 0.4),
)
rows = []
for name, pair in (
    ("as asked", (left_mps, right_mps)),
    ("one wheel saturated", one_saturated),
    ("both slower", both_slower),
):
    radius_m = trolley.drive.radius_m(*pair)
    rows.append((name, *(f"{speed:.3f} m/s" for speed in pair), f"{radius_m:.2f} m"))
display(Table(("", "left", "right", "radius"), rows, decimals=2))
compare_guess("10.radius", rows[1][3])

# %% [markdown]
# **Why.** The radius is v / ω. Saturating one wheel changes the difference between the two, and the difference is what turns the trolley: its circle is nearly twice as wide, at the moment when it must turn most. Slow down both in the same ratio, and it drives the same circle, only more slowly.

# %% [markdown]
# ### Task 3


# %% tags=["starter"]
def wheel_speeds(v_mps, yaw_radps, track_m, max_mps):
    """Speeds of the two wheels over the ground, (left_mps, right_mps), m/s.

    v_mps: forward speed, m/s.  yaw_radps: yaw rate, rad/s, positive to the left.
    track_m: distance between the wheels, m.
    max_mps: the most that a wheel can do, either way; if one would need more,
    both slow down in the same ratio, so that the robot drives the same circle.
    """
    ...


# %% tags=["worked"]
def wheel_speeds(v_mps, yaw_radps, track_m, max_mps):
    """Speeds of the two wheels over the ground, (left_mps, right_mps), m/s.

    v_mps: forward speed, m/s.  yaw_radps: yaw rate, rad/s, positive to the left.
    track_m: distance between the wheels, m.
    max_mps: the most that a wheel can do, either way; if one would need more,
    both slow down in the same ratio, so that the robot drives the same circle.
    """
    half_mps = yaw_radps * track_m / 2
    left_mps, right_mps = v_mps - half_mps, v_mps + half_mps
    fastest_mps = max(abs(left_mps), abs(right_mps))
    slower = max_mps / fastest_mps if fastest_mps > max_mps else 1.0
    return left_mps * slower, right_mps * slower


# %% tags=["verify"]
verify(wheel_speeds)

# %% [markdown]
# ## 4. The picture is old
#
# Exposure, transfer, the detector, the link to the motors: when the wheels move, the picture is some tenths of a second old. This age, from the middle of the exposure to the wheel, is the **latency**. The trolley turns toward where the post *was seen*, and goes on turning after it has faced it.
#
# Below, ten pictures a second. At time 0 the post, far away, jumps 15° to the left; what follows is the **step response** of the loop. Move the sliders.
#
# **Predict**, then look, with a latency of 0.3 s and no motor lag:
# 1. At which gain does the trolley first turn past the post: 1, 2 or 4?
# 2. At which gain does the turning back and forth no longer die out?
# 3. The latency goes from 0.6 s down to 0.3 s. What becomes of the limit: the same, nearly twice as much, four times?

# %% tags=["folded"]
# Your guess
guess("10.sliders", "Answers to 1, 2 and 3?")

# %% tags=["explore"]
from robotlab.widgets import GainAndDelay

GainAndDelay(gain=2.0, delay_s=0.3)

# %% tags=["still"] picture="gains" alt="The bearing of the post over time, at a latency of 0.3 s and a gain of 0.5: for 0.3 s it stays at 15 degrees, then it falls, quickly at first and ever more slowly, toward 0."
from robotlab.widgets import step_response

figure, ax = plt.subplots(figsize=(6, 3), layout="constrained")
turn = step_response(0.5, 3)
ax.plot(turn.t_s, np.degrees(turn.bearing_rad), color="#0072b2", linewidth=2)
ax.axhline(0, color="black", linewidth=0.8)
ax.set(xlim=(0, 5), ylim=(-20, 20), xlabel="time, s", ylabel="bearing, °")
ax.set_title("a jump of 15°, seen 0.3 s late, gain 0.5")
plt.show()

# %% tags=["folded"]
# The answer
compare_guess("10.sliders", "1: at 2; 2: from 4.5 on; 3: nearly twice as much")

# %% [markdown]
# **Why.** (1) From 1.2 on it passes the post a little, at 2 by 3°: this is **overshoot**. (2) From 4.5 on the turning back and forth, or **oscillation**, grows: the loop is **unstable**. The proportional gain at this limit is the **ultimate gain**, $K_u$. (3) Half the latency, nearly twice the ultimate gain. What counts is gain times latency: how far the trolley turns, for each degree of error, before it sees what it has done.
#
# Without frames this is a textbook loop: the bearing changes at every moment by K times what it was T seconds ago,
#
# $$b'(t) = -K\, b(t - T).$$
#
# It does not overshoot up to $K T = 1/e = 0.37$, and it is unstable from $K T = \pi/2 = 1.57$ on. That is the dotted line of the map. The trolley's own line lies *below* it, and the next part says why.

# %% [markdown]
# ## 5. Frames make it worse
#
# A camera's loop does not see all the time. It sees once per frame (**sampling**), and the command is held until the next frame (**zero-order hold**, ZOH):

# %% tags=["still"] picture="hold" alt="Bearing over time. A smooth curve is where the post is, dots on it are pictures, ten a second. What the wheels act on is a staircase: each value appears one latency after its picture and is held until the next one comes."
from robotlab.course import plot_delay_and_hold

figure, ax = plt.subplots(figsize=(6, 3.2), layout="constrained")
plot_delay_and_hold(ax)
plt.show()

# %% [markdown]
# With d frames of latency and $a = K \cdot$ frame time it is
#
# $$b[k+1] = b[k] - a\, b[k-d],$$
#
# and it is unstable from this value of $a$ on:
#
# $$a = 2 \sin\frac{\pi}{2\,(2d+1)}.$$
#
# **Predict.** One frame of latency, ten pictures a second. The textbook loop allows K = π/2 / 0.1 s = 15.7. What does the sampled loop allow: the same, 10 % less, a third less? And with ten frames of latency?

# %% tags=["folded"]
# Your guess
guess(
    "10.sampled",
    "With one frame the sampled loop allows",
    choices=("the same", "10 % less", "a third less"),
)

# %%
from robotlab.control import find_ultimate_gain
from robotlab.control.stability import (
    continuous_ultimate_gain,
    sampled_bearing,
    sampled_critical,
    sampled_ultimate_gain,
)

frame_s = 0.1
rows = []
for d in (1, 2, 3, 5, 10):
    textbook, limit = (
        continuous_ultimate_gain(d * frame_s),
        sampled_ultimate_gain(d) / frame_s,
    )

    def loop(gain):
        return sampled_bearing(gain * frame_s, d, 2000)

    tried = find_ultimate_gain(loop, first_gain=0.5 * limit).ultimate_gain
    above, share = textbook / limit - 1, sampled_critical(d) / frame_s / limit
    percents = (f"{100 * above:.0f} %", f"{100 * share:.0f} %")
    rows.append((str(d), textbook, limit, tried, *percents))
columns = (
    "textbook",
    "sampled",
    "by trying",
    "textbook too high by",
    "no overshoot to",
)
display(
    Table(
        ("d, frames", *columns),
        rows,
        "limits in 1/s; no overshoot: of the limit",
        decimals=2,
    )
)
compare_guess(
    "10.sampled", f"{rows[0][2]:.1f}, {100 - 100 * rows[0][2] / rows[0][1]:.0f} % less"
)

# %% [markdown]
# **Why.** A command that is held for a frame is, on average, half a frame older than its picture. So count the delay as d + ½ frames: π/2 / 0.15 s = 10.5 is within 5 % at one frame, and closer beyond. The textbook's limit at one frame is 57 % above the true one.
#
# Look at the last column: a quarter of the ultimate gain does not overshoot, or hardly, whatever the latency. It is the gain to *start* with. And all of this holds for the drive gain too: speed adds up to distance as yaw rate adds up to an angle.

# %% [markdown]
# ### Task 4


# %% tags=["starter"]
def gain_limit(delay_frames, frame_s):
    """Ultimate gain, 1/s, of a loop that works frame by frame.

    delay_frames: whole frames from a picture to the command made from it.
    frame_s: time between two pictures, s; the command is held in between.
    """
    ...


# %% tags=["worked"]
def gain_limit(delay_frames, frame_s):
    """Ultimate gain, 1/s, of a loop that works frame by frame.

    delay_frames: whole frames from a picture to the command made from it.
    frame_s: time between two pictures, s; the command is held in between.
    """
    a = 2 * math.sin(math.pi / (2 * (2 * delay_frames + 1)))
    return a / frame_s


# %% tags=["verify"]
verify(gain_limit)

# %% [markdown]
# ## 6. The ultimate gain, by formula and by hand
#
# Our trolley has 0.3 s of latency, and its motors take time: after a new command they need 0.1 s to get 63 % of the way. This **motor lag** is the time constant of a first-order lag. What is the trolley's ultimate gain?
#
# *By formula.* `ultimate_gain` works out by what factor an oscillation grows from frame to frame (an eigenvalue), motor lag included, and looks for the gain at which that factor is 1.
#
# *By hand*, as on a real robot: one gain after another, with a detector that is a little noisy.
#
# **Predict.** Without lag the ultimate gain was 4.45. With lag: higher or lower? Will the two agree within 1 %, 5 %, 20 %?

# %% tags=["folded"]
# Your guess
guess(
    "10.ultimate",
    "With lag the ultimate gain is",
    choices=("higher than 4.45", "4.45", "lower than 4.45"),
)

# %%
from robotlab.control.stability import ultimate_gain

by_formula = ultimate_gain(trolley.frame_s, trolley.delay_s, trolley.motor.lag_s)
print(f"by formula {by_formula:.2f} 1/s")

# %% [markdown]
# Now by hand. The recipe, for a robot that turns on the spot:
#
# 1. The target stands 2 m ahead, still, a little to one side. Begin with a gain that is surely small.
# 2. Let it turn. Look how far it gets to each side, at its *peaks*: is each smaller than the one before? Then stop, and take a gain half as large again.
# 3. Once the peaks no longer shrink, or one is beyond 10°, stop. Go back to the middle between this gain and the last good one, and so on, until the two are close.
# 4. Note that gain and the time of one full oscillation, there and back: the ultimate gain $K_u$ and the **ultimate period** $T_u$.
#
# Try one gain yourself first. `measure_oscillation` reads off the ratio of each peak to the one before; below 1 the oscillation dies out.

# %% tags=["explore"]
from robotlab.control import measure_oscillation

gain = 2.0
run = turn_only(trolley.but(turn_gain=gain), off_deg=2, seconds=10)
seen_rad = run.bearings_rad[np.isfinite(run.bearings_rad)]
measured = measure_oscillation(seen_rad, trolley.frame_s)
peaks = ", ".join(f"{math.degrees(peak):.2f}°" for peak in measured.peaks[:4])
print(f"gain {gain}: the first peaks are {peaks};")
print(f"each is {measured.ratio:.2f} of the one before")


# %%
def try_gain(gain):
    """A test with a noisy detector, up to 10°: what was measured; did it get wider?"""
    noisy = GroundTruthDetector(noise_px=0.3)
    run = turn_only(trolley.but(turn_gain=gain), off_deg=2, seconds=15, detector=noisy)
    bearings = run.bearings_rad[np.isfinite(run.bearings_rad)]
    wide = np.abs(bearings) > math.radians(10)
    end = int(np.argmax(wide)) if wide.any() else len(bearings)
    smallest_rad = math.radians(0.3)
    measured = measure_oscillation(bearings[:end], trolley.frame_s, least=smallest_rad)
    return measured, wide.any()


good, bad, gain, tests = 0.0, None, 1.0, 0
while bad is None or bad - good > 0.05 * bad:
    measured, wide = try_gain(gain)
    tests += 1
    dies_out = measured.ratio < 1 and not wide
    words = "no oscillation"
    if measured.ratio:
        words = f"each peak {measured.ratio:.2f} of the one before,"
        words += f" period {measured.period_s:.2f} s"
    print(f"gain {gain:.2f}: {words}{', and beyond 10°' if wide else ''}")
    good, bad = (gain, bad) if dies_out else (good, gain)
    gain = 1.5 * gain if bad is None else (good + bad) / 2

K_u, T_u = good, try_gain(good)[0].period_s
print(f"{tests} tests: K_u = {K_u:.2f} 1/s, T_u = {T_u:.2f} s")
compare_guess("10.ultimate", f"by hand {K_u:.2f}, by formula {by_formula:.2f}")

# %% [markdown]
# **Why.** Two ways, one number, within a few percent. And $T_u$ tells more: a loop at its limit oscillates with a period of *four delays*. $T_u / 4$ is the whole delay of the loop: 0.30 s of latency, half a frame of zero-order hold or 0.05 s, and 0.1 s of motor lag. (A lag longer than the latency counts for less.) So a stopwatch measures the delay of a robot.

# %%
whole_s = trolley.latency_s + trolley.frame_s / 2 + trolley.motor.lag_s
print(f"T_u / 4 = {T_u / 4:.2f} s; latency + half a frame + lag = {whole_s:.2f} s")
rows = []
for name, part in (("a quarter", 0.25), ("a half", 0.5), ("nine tenths", 0.9)):
    run = turn_only(trolley.but(turn_gain=part * by_formula), off_deg=15, seconds=20)
    off_deg = np.degrees(run.true_bearings_rad)
    settled_s = run.t_s[np.flatnonzero(np.abs(off_deg) > 1)[-1]]
    over_deg, gain = -off_deg.min(), part * by_formula
    rows.append((f"{name} of K_u", gain, f"{over_deg:.1f}°", f"{settled_s:.1f} s"))
Table(("gain", "1/s", "overshoot of 15°", "within 1° for good after"), rows, decimals=2)

# %% [markdown]
# **Which of them to take.** A quarter turns once and stands still. Half, the old rule of Ziegler and Nichols, is livelier and overshoots by a third of the jump. Nine tenths oscillates for a long time, and leaves nothing for the day when the computer is a little slower.
#
# The factor by which the gain may still grow is the **gain margin**; a factor of 2 is also written as 6 dB. Seen the other way around, the **phase margin** says how much later everything may get, as an angle of the oscillation: π/2 − K · T for the textbook loop, 45° at half the limit. For that loop `robotlab.control.stability.margins` computes both. (Common practice asks for a gain margin of 2 and a phase margin of 30° to 60°; no source.)
#
# From here on, in this course: the **safe gain** is half the ultimate gain (gain margin 2; for the textbook loop that is a phase margin of 45°). It is a maximum; `safe_gain` computes it, the design sheet of lesson 12 prints it, and the loop for real robots refuses more. Start at half of the safe gain. Latency grows with load and in poor light (longer exposures), so the rest is your reserve.

# %% [markdown]
# ## 7. The whole loop
#
# Now with pictures: the greenhouse, the color detector of lesson 03, the post weaving ahead, 0.3 s of latency. Three gains: 0.25, a quarter of the ultimate gain, and 5.
#
# **Predict.** Which of them lose the post? Which needs the most energy?

# %% tags=["folded"]
# Your guess
guess("10.loop", "Which lose the post? Which needs the most energy?")

# %%
from robotlab.color import ColorDetector
from robotlab.greenhouse import render

examples = [
    render(greenhouse.with_post_at(d_m, 0.0), camera) for d_m in (1.0, 1.5, 2.5)
]
boxes = [one.truths.boxes[:1] for one in examples]
detector = ColorDetector.learn([one.picture for one in examples], boxes, "post")
path = WALKS["weave"]
weave = Walk("weave", path.about, path.times_s, path.points_m, greenhouse)

runs, rows = {}, []
quarter = round(0.25 * by_formula, 2)
for name, gain in (("too low", 0.25), ("a quarter", quarter), ("too high", 5.0)):
    settings = trolley.but(turn_gain=gain)
    runs[name] = run = simulate(detector, weave, camera, settings, duration_s=14)
    scores = run.scores()
    worst_deg = math.degrees(np.abs(run.true_bearings_rad).max())
    energy = f"{scores['energy_j']:.1f} J"
    rows.append((name, gain, scores["losses"], f"{worst_deg:.0f}°", energy))
display(
    Table(("gain", "1/s", "lost the post", "off by up to", "energy"), rows, decimals=2)
)
lost = ", ".join(row[0] for row in rows if row[2])
compare_guess(
    "10.loop",
    f"lost it: {lost}; most energy: {max(rows, key=lambda row: float(row[4][:-2]))[0]}",
)

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(6, 4), layout="constrained")
for (name, run), color, dashes in zip(
    runs.items(), ("#cc79a7", "#0072b2", "#d55e00"), (":", "-", "--")
):
    ax.plot(
        run.t_s,
        np.degrees(run.true_bearings_rad),
        dashes,
        color=color,
        linewidth=2,
        label=f"{name}: {run.settings.turn_gain:.2f} 1/s",
    )
for side in (-1, 1):
    ax.axhspan(side * 31.1, side * 90, color="#dddddd", linewidth=0)
ax.text(0.1, 43, "outside of the picture", va="center")
ax.set(
    xlim=(0, 14),
    ylim=(-85, 55),
    xlabel="time, s",
    ylabel="bearing of the post, °",
    title="following a weaving post, three gains",
)
ax.legend(loc="lower left", frameon=False, fontsize=9)
plt.show()

# %% tags=["explore"]
from robotlab.loop import replay_pair_html
from robotlab.widgets import Replay

names = ("a quarter", "too high")
page = replay_pair_html(
    runs[names[0]], runs[names[1]], names, "The same walk, two gains"
)
Replay(
    page,
    alt="Two runs on one clock: a quarter of the ultimate gain follows smoothly, "
    "too high a gain turns from side to side and loses the post.",
)

# %% tags=["folded", "nbval-ignore-output"]
# A drawing
figure, axes = plt.subplots(1, 3, figsize=(7.4, 4.8), layout="constrained", sharey=True)
for ax, (name, run) in zip(axes, runs.items()):
    ax.plot(
        run.post_m[:, 1],
        run.post_m[:, 0],
        "--",
        color="#d55e00",
        linewidth=1.5,
        label="post",
    )
    ax.plot(
        run.pose[:, 1], run.pose[:, 0], color="black", linewidth=1.8, label="trolley"
    )
    for tick in range(0, len(run.t_s), 50):
        x, y, yaw = run.pose[tick]
        ax.plot(
            [y, y + 0.3 * math.sin(yaw)],
            [x, x + 0.3 * math.cos(yaw)],
            color="#0072b2",
            linewidth=1.5,
        )
    ax.plot(run.post_m[-1, 1], run.post_m[-1, 0], "o", color="#d55e00", markersize=8)
    ax.set(
        xlim=(1.25, -1.25),
        ylim=(-0.2, 5.1),
        aspect="equal",
        title=f"{name}: gain {run.settings.turn_gain:.2f}",
        xlabel="to the left, m",
    )
axes[0].set_ylabel("ahead, m")
axes[0].legend(frameon=False, loc="lower left")
plt.show()

# %% [markdown]
# *The three ways from above: the blue strokes show once a second where the trolley looks. With a gain too low it turns late and looks past the post at the end; with a quarter of the ultimate gain it follows smoothly; with one too high its way zigzags.*
#
# **Why.** With too low a gain the post leaves the picture before the trolley has turned. With too high a gain the trolley itself turns the post out of the picture, and every turn costs energy. Between the two lies a wide range: no gain needs days of tuning.
#
# **Try.** Replace `names` by `("too low", "a quarter")`. Then find out, with the sliders of part 4, what 0.1 s less latency would allow.

# %% [markdown]
# ## On your own robot
#
# **Cautions**, before anything else:
# - The first test is with the *wheels off the ground*, the robot on a block from which it cannot fall. Keep fingers, hair, sleeves and cables away from the wheels.
# - One **hand on the power switch** whenever the motors have power. Try once that it really stops them.
# - On the floor: a clear floor, at least 2 m in every direction, no stairs. **People and pets stay away**; children watch from behind a table.
# - *Slow limits*: 0.5 rad/s and 0.2 m/s in the program, and lower in the motor board if it can do that. With this library: `Settings(max_yaw_radps=0.5, max_mps=0.2, search_s=0)`; `search_s=0` means to stop, and not to turn about, when the target is lost. It never drives backward unless you set `max_reverse_mps`.
# - Batteries, chargers and motors: the maker's data sheet and your local rules come first.
# - **Software is no safety function.** A program, however careful, does not replace the switch that cuts the power (IEC 60204-1, ISO 13850).
#
# **Step 1: measure your latency**, from target to wheel. You need a program that sees and turns; `help(robotlab.loop.drive)` shows one. Put the robot on the block, the program running, motors on, speed limits low. With a phone, film the target and a wheel together, in slow motion (120 or 240 frames per second). Jerk the target to one side. In the film count the frames from the first one in which the target has moved to the first one in which the wheel changes. Do it five times: their spread is the **jitter** of the latency. No robot yet? Film a lamp and the screen that shows the camera's picture, and switch the lamp on. That is the camera's part alone: detector and motor link are not in it, so it is too short for the formulas here.
#
# **Step 2: the sign.** Target far ahead in the middle: both wheels forward. Then, with the drive gain at 0, left and right; write down how the wheels turned.
#
# **Step 3: the limit, and the first gain.** Put your numbers into the cell.

# %% tags=["explore"]
film_hz = 240  # frames per second of the phone's film
counts = (88, 80, 94, 84, 90)  # its frames between target and wheel, five tests
loop_hz = 10  # pictures per second that your detector works through
lag_s = 0.1  # motors: time to 63 % of a new speed; 0.1 if you do not know
# Wheels off the ground: (bearing of the target, left wheel, right wheel), + is left and + is forward.
seen = ((+0.3, -0.1, +0.1), (-0.3, +0.1, -0.1))

from robotlab.control import latency_from_film_s
from robotlab.control.stability import safe_gain

# A jerk falls between two pictures of the loop: half a frame on average is taken off.
latency_s = latency_from_film_s(counts, film_hz, loop_hz)
K_safe = safe_gain(1 / loop_hz, latency_s, lag_s)
print(f"sign: {sign_check(*zip(*seen)).message}")
low_s, high_s = min(counts) / film_hz, max(counts) / film_hz
print(f"target to wheel {low_s:.2f} to {high_s:.2f} s; latency {latency_s:.2f} s")
print(f"ultimate gain {2 * K_safe:.2f} 1/s, safe gain {K_safe:.2f} 1/s")
first, start = K_safe / 5, K_safe / 2
print(f"on the floor: first {first:.2f}, then {start:.2f}, never above {K_safe:.2f}")

# %% [markdown]
# **Step 4: on the floor.** Only if the sign check has passed. Let the robot turn on the spot and nothing else (drive gain 0), the target 2 m ahead. Begin with a fifth of the safe gain. If it turns toward the target and stands still, raise the gain step by step to half of the safe gain. Does it oscillate before that? Stop: then the latency is longer than you measured. To find $K_u$ follow the recipe of part 6, with the low limit of the yaw rate, and stop each test after three peaks.
#
# **Step 5: check.** Note $T_u$. Is $T_u / 4$ near your latency plus half a frame plus the lag? Within 20 % is good. Lesson 11 adds ramps and a plan for a lost target; before that, do not let it drive.
#
# %% [markdown]
# ## If you want more
#
# Four things that the rest does not need.
#
# ### A third way to the ultimate gain
#
# Run 181 trolleys at once, each with another gain, and see whose oscillation grows from the middle third of the run to the last.

# %%
from robotlab.loop import simulate_many

gains = np.linspace(0.5, 5.0, 181)
swept = simulate_many(
    still,
    trolley,
    runs=len(gains),
    start=(0.0, 0.0, -0.02),
    duration_s=12,
    vary={"turn_gain": gains, "drive_gain": 0.0},
)
first = int(np.argmax(swept.growth > 1))
by_sweep = np.interp(
    1.0, swept.growth[first - 1 : first + 1], gains[first - 1 : first + 1]
)
print(f"formula {by_formula:.2f}, by hand {K_u:.2f}, sweep {by_sweep:.2f}")

# %% tags=["folded", "nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(7, 3), layout="constrained")
ax.plot(gains, swept.growth, color="#0072b2", linewidth=2)
ax.axhline(1, color="black", linewidth=0.8)
ax.axvline(by_formula, linestyle="--", color="#d55e00")
ax.text(by_formula + 0.05, 0.2, f"formula: {by_formula:.2f}", color="#a33c00")
ax.set(xlim=(0.5, 4.5), ylim=(0, 3), title=f"the sweep crosses 1 at {by_sweep:.2f}")
ax.set(xlabel="gain, 1/s", ylabel="growth of the oscillation")
plt.show()

# %% [markdown]
# ### Where the trolley is afterward
#
# With constant wheel speeds it drives an exact circular arc. To add up such pieces, from what the wheels have turned, is called **odometry**: the trolley's own account of where it is. It knows nothing of wheels that slip. Many programs add up short straight steps instead (**Euler integration**).
#
# **Predict.** 1 m/s and 1 rad/s for a quarter of a circle: it ends 1 m ahead and 1 m to the left. How far off is the sum of 10 straight steps: 1 mm, 1 cm, 11 cm?

# %% tags=["folded"]
# Your guess
guess("10.arcs", "10 straight steps are off by", choices=("1 mm", "1 cm", "11 cm"))

# %%
from robotlab.control import advance

quarter_s = math.pi / 2
for steps in (1, 10, 100):
    straight = arc = (0.0, 0.0, 0.0)
    dt_s = quarter_s / steps
    for _ in range(steps):
        x, y, yaw = straight
        straight = (x + math.cos(yaw) * dt_s, y + math.sin(yaw) * dt_s, yaw + dt_s)
        arc = advance(*arc, 1.0, 1.0, dt_s)
    off_m, arc_off_m = math.dist(straight[:2], (1, 1)), math.dist(arc[:2], (1, 1))
    print(f"{steps:>3} steps: straight {off_m:.4f} m off, arcs {arc_off_m:.4f} m off")
    if steps == 10:
        ten = f"{100 * off_m:.0f} cm"
compare_guess("10.arcs", ten)

# %% [markdown]
# **Why.** Each straight step leaves the circle on its outside, so the errors add up. Ten times as many steps make a tenth of the error. The arc is exact in one step and needs no more work: two sines. The simulation here uses arcs.

# %% [markdown]
# ### Lag and dead band
#
# **Predict.** 0.3 s of latency. Which lowers the ultimate gain more: 0.1 s more latency, or 0.1 s of motor lag?

# %% tags=["folded"]
# Your guess
guess(
    "10.lag",
    "Which lowers it more?",
    choices=("0.1 s more latency", "0.1 s of motor lag"),
)

# %%
delays_s = (0.1, 0.3, 0.4)
rows = [
    (f"{lag_s} s", *(ultimate_gain(0.1, delay_s, lag_s) for delay_s in delays_s))
    for lag_s in (0.0, 0.1, 0.2, 0.4)
]
columns = [f"latency {delay_s} s" for delay_s in delays_s]
display(Table(("motor lag", *columns), rows, "ultimate gain, 1/s", decimals=2))
with_lag, later = rows[1][2], rows[0][3]
compare_guess("10.lag", f"lag: {with_lag:.2f}; latency: {later:.2f} 1/s")

# %% [markdown]
# **Why.** Latency passes nothing on for a while; a lag passes something on at once. So lag costs less, and the second tenth of a second costs less than the first.
#
# Friction is another matter: motors that do not move at small commands have a **dead band**.
#
# **Predict.** Wheels that do not move below 0.02 m/s. The post is 15° to the left, and the trolley only turns. Which gain leaves the *larger* error at the end: a quarter of the ultimate gain, or half?

# %% tags=["folded"]
# Your guess
guess("10.band", "Which leaves the larger error?", choices=("a quarter", "half"))

# %%
from robotlab.control import Motor

some_gains = [part * by_formula for part in (0.125, 0.25, 0.5)]
rows = []
for band_mps in (0.0, 0.01, 0.02):
    motor = Motor(lag_s=trolley.motor.lag_s, dead_band_mps=band_mps)
    left = []
    for gain in some_gains:
        run = turn_only(trolley.but(turn_gain=gain, motor=motor), 15, 20)
        left.append(f"{abs(math.degrees(run.true_bearings_rad[-1])):.1f}°")
    rows.append((f"{band_mps:.2f} m/s", *left))
columns = [f"gain {gain:.2f}" for gain in some_gains]
display(Table(("dead band", *columns), rows, "error left after 20 s", decimals=2))
compare_guess("10.band", f"a quarter: {rows[2][2]}, half: {rows[2][3]}")

# %% [markdown]
# **Why.** As soon as gain · bearing · half the track width is less than the dead band, the wheels stand still. At 0.02 m/s and a gain of 0.94 that is below 8.1°; late commands and the lag carry the trolley on from there, to 3.1°. The small gain gives up first. So the gain is bounded on both sides: by latency and lag above, by the dead band below. Better motors, or a board that measures and controls the wheel speed, remove the lower bound.

# %% [markdown]
# ### More than P
#
# Two additions that you will meet everywhere:
# - a part for how fast the bearing *changes*. This is the **derivative part** (D), and both together are **PD control**;
# - a part that is known beforehand and needs no error: the rate at which the direction to the post turns, worked out from the bearing and from odometry. This is **feed-forward**.
#
# **Predict.** Which one reduces the overshoot after a jump? Which one reduces the steady-state error behind a post that weaves? What do they do with a noisy detector?

# %% tags=["folded"]
# Your guess
guess("10.laws", "Which reduces the overshoot, which the steady-state error?")

# %%
noisy = GroundTruthDetector(noise_px=1.0)
rows = []
for law in ("p", "pd", "feed_forward"):
    settings = trolley.but(turn_gain=0.5 * by_formula, law=law, derivative_gain=0.3)
    jump = turn_only(settings, 15, 10).true_bearings_rad
    run = simulate(noisy, WALKS["weave"], camera, settings, pictures=False)
    _, yaw_rates = trolley.drive.twist(*run.wheels_mps.T)
    rough = np.sqrt(np.mean((np.diff(yaw_rates) / 0.02) ** 2))
    off_deg = math.degrees(run.scores()["bearing_error_rad"])
    over_deg = -math.degrees(jump.min())
    rows.append((law, f"{over_deg:.1f}°", f"{off_deg:.1f}°", f"{rough:.2f} rad/s²"))
columns = ("overshoot of 15°", "error behind the weaving post", "yaw acceleration")
display(Table(("law", *columns), rows, decimals=2))
names = [min(rows, key=lambda row: float(row[k][:-1]))[0] for k in (1, 2)]
compare_guess("10.laws", f"overshoot: {names[0]}; error: {names[1]}")

# %% [markdown]
# **Why.** PD control brakes before the post is reached: it removes most of the overshoot, with motor lag and without, and leaves the steady-state error. Feed-forward halves the steady-state error and leaves the overshoot: the direction to a post that has jumped does not turn. Both make the turning rougher (last column, root mean square), because both amplify the detector's noise. P control with a good gain comes first; add one of these when you have measured what it is to improve.

# %% [markdown]
# ## What to remember
#
# - Left is plus, for bearing and yaw rate alike. With the wrong sign (positive feedback) the robot turns away, whatever the gain: test with the wheels off the ground, on both sides.
# - P control: yaw rate = proportional gain · bearing, with a limit. Its steady-state error behind a moving target is speed / gain.
# - Differential drive: left = v − ω · L/2, right = v + ω · L/2. Slow down both wheels or none.
# - Latency limits the gain. Add up latency, half a frame and motor lag: the ultimate gain is about 1.57 / sum (more where the lag is large). Half of it is the safe gain, a quarter is where to start.
# - The textbook's π/2 is for loops without frames, and up to 57 % too high for a sampled one.
# - By trying: raise the gain until the robot just keeps oscillating. $T_u / 4$ is the whole delay.
# - A dead band needs a larger gain, latency a smaller one. PD control reduces overshoot, feed-forward reduces steady-state error, and both amplify the detector's noise ("If you want more").
#
# On your own robot you can now
# - find a wrong sign before it drives, with the wheels off the ground;
# - measure the latency from target to wheel with a phone;
# - choose a gain with a known margin, and say why no larger one.
#
# ### Check your understanding
#
# 1. The post is seen in column 100 of 320. What are the signs of bearing and yaw rate, and which wheel is faster?
# 2. A robot turns away from the target, faster and faster. Would a smaller gain help?
# 3. The post walks away at 0.2 m/s, the drive gain is 0.8/s, and 1.0 m is to be kept. Which distance does P control hold?
# 4. Latency 0.2 s, ten pictures per second, motor lag 0.1 s. What is the ultimate gain, about, and the safe gain?
# 5. Your robot oscillates with a period of 1.6 s at its limit. How long is the whole delay of its loop?
#
# <details><summary>Answers</summary>
#
# 1. Left of the middle: both positive; the right wheel.
# 2. No: the sign is wrong. It would only turn away more slowly.
# 3. 1.0 + 0.2 / 0.8 = 1.25 m.
# 4. 1.57 / (0.2 + 0.05 + 0.1) = 4.5 1/s; the safe gain is half of it, 2.2 1/s.
# 5. A quarter of the period, 0.4 s.
#
# </details>
#
# Next: [lesson 11](11_smooth_and_safe.ipynb), smooth and safe.
#
# ## Sources
#
# - Axes and signs: ISO 8855. Stops: IEC 60204-1, ISO 13850. Gain margin 2, phase margin 30° to 60°: common practice, no source.
# - Two driven wheels: R. Siegwart, I. Nourbakhsh, D. Scaramuzza, *Introduction to Autonomous Mobile Robots*, 2nd ed., section 3.2 (cited from memory). Exact arcs: S. Thrun, W. Burgard, D. Fox, *Probabilistic Robotics*, section 5.3 (from memory).
# - The delayed loop without frames, 1/e and π/2: a textbook result, for instance arXiv:1404.4763.
# - With frames: S. A. Levin, R. M. May, *A note on difference-delay equations*, Theoretical Population Biology 9:178-187, 1976 (from memory; part 5 finds the same by trying).
# - Gain and period at the limit, and the half: J. G. Ziegler, N. B. Nichols, *Optimum settings for automatic controllers*, Transactions of the ASME 64:759-768, 1942 (from memory).
