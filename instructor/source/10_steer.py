# %% [markdown]
# # Lesson 10: steer
#
# **What you will have** at the end: a steering gain for your own robot, and the reason why it must not be much larger.
#
# **You will be able to**
# - say which wheel must turn faster when the target is on the left, and find a swapped motor before the robot moves;
# - turn a box into a bearing, a bearing into a yaw rate, a yaw rate into two wheel speeds;
# - work out from frame rate and delay the gain at which a robot swings out of control, and find the same gain by trying;
# - say what motor lag, a dead band, damping and feed-forward change about it.
#
# **Time**: 50 minutes; with a robot half an hour more. **Needs**: lessons 00 and 02.
#
# **Cautions**: nothing real moves before the last part. A robot with the wrong sign or too large a gain turns faster and faster, so read the cautions there before you try anything of this on one. All pictures are rendered; the trolley is simulated.

# %% [markdown]
# ## 1. Which way is plus
#
# Axes are fixed to the trolley: x forward, y to the left, angles counter-clockwise (ISO 8855). So **left is plus**: a target on the left has a positive bearing (its angle off the middle, lesson 02), and a turn to the left has a positive **yaw rate** (how fast the trolley turns, rad/s). A picture's columns grow to the *right*. That is where signs get lost.
#
# **Predict.** The post is seen in column 240 of 320: right of the middle. What are the signs of its bearing and of the yaw rate that turns the trolley toward it? Which wheel must be faster, the left or the right one?

# %%
import math

import matplotlib.pyplot as plt
import numpy as np

from robotlab.follow import Oracle, Settings, default_camera, simulate
from robotlab.motion import sign_check, turn_toward

camera = default_camera()  # 320 × 240 pixels, 62.2° wide
# Ten pictures a second, each 0.3 s old when the wheels get its command; never backward.
trolley = Settings(delay_s=0.3, max_reverse_mps=0.0)

bearing_rad = camera.bearing_rad(240)
yaw_radps = turn_toward(bearing_rad, gain=1.0)
left_mps, right_mps = trolley.drive.wheels(0.3, yaw_radps)
print(f"bearing {math.degrees(bearing_rad):+.1f}°, yaw rate {yaw_radps:+.2f} rad/s, left wheel {left_mps:.2f} m/s, right wheel {right_mps:.2f} m/s")

# %% [markdown]
# **Why.** Right of the middle is a negative bearing, needs a negative yaw rate, and the *left* wheel runs faster. Bearing and yaw rate have the same sign: remember that, and you need no table.

# %% [markdown]
# ### Task 1
#
# From a box to the angle to turn. Stuck? Run `nudge(bearing_error)` in a new cell: each time it says a little more.

# %% tags=["starter"]
def bearing_error(box, width_px, hfov_rad):
    """How far the robot must turn to face the target, rad; positive to the left (ISO 8855).

    box: (x0, y0, x1, y1), corners of the target's box, px.
    width_px: width of the picture, px.  hfov_rad: horizontal field of view, rad.
    """
    ...


# %% tags=["worked"]
def bearing_error(box, width_px, hfov_rad):
    """How far the robot must turn to face the target, rad; positive to the left (ISO 8855).

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

# %%
from robotlab.greenhouse import WALKS, Walk

greenhouse = WALKS["straight"].scene
still = Walk("still", "The post stands 2 m ahead.", (0.0, 60.0), ((2.0, 0.0), (2.0, 0.0)), greenhouse)


def turn_only(settings, off_deg, seconds, tracker=Oracle()):
    """A run in which the trolley turns on the spot; the post stands off_deg to the left at first."""
    start = (0.0, 0.0, -math.radians(off_deg))
    return simulate(tracker, still, camera, settings.but(drive_gain=0.0), duration_s=seconds, start=start, pictures=False)


for sign in (+1, -1):
    run = turn_only(trolley.but(turn_gain=1.0, steering_sign=sign), off_deg=3, seconds=5)
    off_deg = np.degrees(run.true_bearings_rad)
    out = run.t_s[np.abs(off_deg) > 31.1]
    end = f"out of the picture after {out[0]:.1f} s" if len(out) else "never out of the picture"
    print(f"sign {sign:+d}: after 0, 1, 2 s it is {off_deg[0]:.1f}°, {off_deg[50]:.1f}°, {off_deg[100]:.1f}° off; {end}")

# %% [markdown]
# **Why.** With the right sign each turn makes the error smaller, so the next turn is smaller. With the wrong one each turn makes the error larger, and the next turn larger still: the trolley *flees*, and ever faster. No gain is small enough to mend it.
#
# A short test finds it, with the **wheels off the ground**: hold the target on the left, then on the right, and watch how the wheels turn. `sign_check` takes what was seen and how fast the wheels ran.
#
# **Predict.** Below, one right way to plug in two motors and four wrong ones. Which of them turn the trolley away from the post? Which one would pass a test with the target on the *left only*?

# %%
held_rad = [0.3, 0.3, 0.3, -0.3, -0.3, -0.3]  # first on the left, then on the right
told = [trolley.drive.wheels(0.0, turn_toward(bearing, 1.0)) for bearing in held_rad]
PLUGS = {  # what the left and the right wheel do when they are told (left, right)
    "as it should be": lambda left, right: (left, right),
    "motors swapped": lambda left, right: (right, left),
    "left plug turned round": lambda left, right: (-left, right),
    "both wheels on one output": lambda left, right: (right, right),
    "turns left, always": lambda left, right: (-abs(left), abs(right)),
}
for name, plug in PLUGS.items():
    lefts, rights = zip(*(plug(*pair) for pair in told))
    result = sign_check(held_rad, lefts, rights)
    kind = "passed" if result.ok else "flees" if result.flees else "not passed"
    print(f"{name:<30} {kind}: {result.message}")

# %% [markdown]
# **Why.** Only the swapped motors flee. The others drive off straight where they should turn, or turn left for ever. One side alone proves little: a trolley that always turns left passes with the target on the left. And the test says nothing about *forward*. So add a third look: the target far away in the middle must turn both wheels forward.

# %% [markdown]
# ## 2. Turn in proportion, drive in proportion
#
# The simplest law that works: **yaw rate = gain · bearing**. It is called P-control, P for proportional. The gain says how many radians a second for each radian, so its unit is 1/s. The distance gets a law of its own: **speed = gain · (distance − distance to keep)**.
#
# Both are cut off at limits. A box in a wrong place asks for a wild turn; the limit decides how wild it gets. The lowest speed here is 0: a trolley that cannot see behind itself does not back up.
#
# **Predict.** A bearing of −0.2 rad (11° to the right) and a gain of 1.5/s: what yaw rate? If nothing were late, how much of those 11° would be left after 1 s: all, half, a fifth, nothing?

# %%
print(f"yaw rate {turn_toward(-0.2, gain=1.5):+.2f} rad/s, that is {math.degrees(turn_toward(-0.2, gain=1.5)):+.0f}° a second")
print(f"left after 1 s: {100 * math.exp(-1.5):.0f} %")

# %% [markdown]
# **Why.** The turn slows as the error shrinks, so the last bit takes longest. With gain K the error falls to 37 % in 1/K seconds, to 14 % in two times that, to 5 % in three: it goes like exp(−K · t).

# %% [markdown]
# ### Task 2

# %% tags=["starter"]
def p_law(bearing_rad, distance_m, turn_gain, drive_gain, keep_m, max_yaw_radps, max_mps):
    """Wanted motion (v_mps, yaw_radps): forward speed, m/s, and yaw rate, rad/s.

    bearing_rad: where the target is, rad, positive to the left.  distance_m: how far away, m.
    turn_gain: yaw rate for each rad, 1/s.  drive_gain: speed for each m too far, 1/s.
    keep_m: distance to keep, m.  max_yaw_radps: limit of the yaw rate, to either side.
    max_mps: limit of the speed; the robot never drives backward.
    """
    ...


# %% tags=["worked"]
def p_law(bearing_rad, distance_m, turn_gain, drive_gain, keep_m, max_yaw_radps, max_mps):
    """Wanted motion (v_mps, yaw_radps): forward speed, m/s, and yaw rate, rad/s.

    bearing_rad: where the target is, rad, positive to the left.  distance_m: how far away, m.
    turn_gain: yaw rate for each rad, 1/s.  drive_gain: speed for each m too far, 1/s.
    keep_m: distance to keep, m.  max_yaw_radps: limit of the yaw rate, to either side.
    max_mps: limit of the speed; the robot never drives backward.
    """
    yaw_radps = min(max(turn_gain * bearing_rad, -max_yaw_radps), max_yaw_radps)
    v_mps = min(max(drive_gain * (distance_m - keep_m), 0.0), max_mps)
    return v_mps, yaw_radps


# %% tags=["verify"]
verify(p_law)

# %% [markdown]
# ### Standing off
#
# **Predict.** The post walks straight ahead at 0.30 m/s. The trolley is to keep 1.20 m, with a gain of 1.2/s. Which distance does it really hold: 1.20 m, 1.45 m, or does it fall behind for ever?

# %%
run = simulate(Oracle(), WALKS["straight"], camera, trolley, duration_s=15, pictures=False)
for t_s in (0, 5, 10, 15):
    tick = int(np.searchsorted(run.t_s, t_s - 1e-6))
    print(f"after {t_s:>2} s: {run.true_distances_m[tick]:.2f} m away, driving {run.speeds_mps[tick]:.2f} m/s")

# %% [markdown]
# **Why.** To drive at 0.30 m/s the law *needs* an error: 0.30 / 1.2 = 0.25 m too far. P-control trails whatever moves steadily, by speed / gain. For the distance that hardly matters: you keep 1.45 m and know why. (The library also slows by the cosine of the bearing, so that the trolley turns before it drives.)

# %% [markdown]
# ## 3. From a motion to two wheels, and back
#
# A trolley with two driven wheels, L apart, turns because one is faster. Each wheel is L/2 from the middle: left = v − ω · L/2, right = v + ω · L/2, with the forward speed v and the yaw rate ω.
#
# **Predict.** You ask for 0.5 m/s and 2 rad/s, the wheels are 0.3 m apart and can do 0.4 m/s. The right one would need 0.8. Cut off the right wheel alone: what is the radius of the circle then, instead of 0.25 m?

# %%
from robotlab.motion import keep_turn

left_mps, right_mps = trolley.drive.wheels(0.5, 2.0)
one_cut, both_slower = (left_mps, min(right_mps, 0.4)), keep_turn(left_mps, right_mps, 0.4)
for name, pair in (("as asked", (left_mps, right_mps)), ("one wheel cut off", one_cut), ("both slower", both_slower)):
    print(f"{name:<18} left {pair[0]:.3f}, right {pair[1]:.3f} m/s: radius {trolley.drive.radius_m(*pair):.2f} m")

# %% [markdown]
# **Why.** The radius is v / ω. Cutting one wheel changes the difference between both, which is what turns the trolley: its circle is nearly twice as wide, at the moment when it must turn most. Slow both in the same ratio, and it drives the same circle, only more slowly.

# %% [markdown]
# ### Task 3

# %% tags=["starter"]
def wheel_speeds(v_mps, yaw_radps, track_m, max_mps):
    """Speeds of the two wheels over the ground, (left_mps, right_mps), m/s.

    v_mps: forward speed, m/s.  yaw_radps: yaw rate, rad/s, positive to the left.
    track_m: distance between the wheels, m.  max_mps: the most that a wheel can do, either way;
    if one would need more, both slow down in the same ratio, so that the robot drives the same circle.
    """
    ...


# %% tags=["worked"]
def wheel_speeds(v_mps, yaw_radps, track_m, max_mps):
    """Speeds of the two wheels over the ground, (left_mps, right_mps), m/s.

    v_mps: forward speed, m/s.  yaw_radps: yaw rate, rad/s, positive to the left.
    track_m: distance between the wheels, m.  max_mps: the most that a wheel can do, either way;
    if one would need more, both slow down in the same ratio, so that the robot drives the same circle.
    """
    half_mps = yaw_radps * track_m / 2
    left_mps, right_mps = v_mps - half_mps, v_mps + half_mps
    fastest_mps = max(abs(left_mps), abs(right_mps))
    slower = max_mps / fastest_mps if fastest_mps > max_mps else 1.0
    return left_mps * slower, right_mps * slower


# %% tags=["verify"]
verify(wheel_speeds)

# %% [markdown]
# ### Where the trolley is afterward
#
# With constant wheel speeds it drives an exact circular arc. Many programs add up short straight steps instead (Euler's rule).
#
# **Predict.** 1 m/s and 1 rad/s for a quarter of a circle: it ends 1 m ahead and 1 m to the left. How far off is the sum of 10 straight steps: 1 mm, 1 cm, 11 cm?

# %%
from robotlab.motion import advance

quarter_s = math.pi / 2
for steps in (1, 10, 100):
    straight = arc = (0.0, 0.0, 0.0)
    dt_s = quarter_s / steps
    for _ in range(steps):
        x, y, yaw = straight
        straight = (x + math.cos(yaw) * dt_s, y + math.sin(yaw) * dt_s, yaw + dt_s)
        arc = advance(*arc, 1.0, 1.0, dt_s)
    off_m = math.dist(straight[:2], (1, 1))
    print(f"{steps:>3} steps: straight ones end {off_m:.4f} m off, arcs {math.dist(arc[:2], (1, 1)):.4f} m off")

# %% [markdown]
# **Why.** Each straight step leaves the circle on its outside, and all on the same side. Ten times as many steps, a tenth of the error. The arc is exact in one step, and no more work: two sines. The simulation here uses arcs.

# %% [markdown]
# ## 4. The picture is old
#
# Exposure, transfer, the tracker, the link to the motors: when the wheels move, the picture is some tenths of a second old. The trolley turns toward where the post *was seen*, and goes on turning after it has faced it.
#
# Below, ten pictures a second. At time 0 the post, far away, jumps 15° to the left. Move the sliders.
#
# **Predict**, then look, with a delay of 0.3 s and no motor lag:
# 1. At which gain does the trolley first swing past the post: 1, 2 or 4?
# 2. At which gain does the swing no longer die out?
# 3. The delay goes from 0.6 s down to 0.3 s. What becomes of the limit: the same, nearly twice as much, four times?

# %% tags=["explore"]
from robotlab.widgets import GainAndDelay

GainAndDelay(gain=2.0, delay_s=0.3)

# %% tags=["still"] picture="gains" alt="The bearing of the post over time at a delay of 0.3 s for three gains. With 1.0 it falls to 0 within two seconds and stays there. With 2.2 it swings past by 4 degrees and settles. With 5.0 it swings wider each time and leaves the picture."
from robotlab.widgets.gain_and_delay import turn_after_jump

figure, ax = plt.subplots(figsize=(8, 3.4), layout="constrained")
for gain, color, dashes in ((1.0, "#0072b2", "-"), (2.2, "#009e73", "--"), (5.0, "#d55e00", "-.")):
    turn = turn_after_jump(gain, 3)
    ax.plot(turn.t_s, np.degrees(turn.bearing_rad), dashes, color=color, linewidth=2, label=f"gain {gain:.1f} 1/s")
    if turn.lost_s:
        ax.plot(turn.t_s[-1], np.degrees(turn.bearing_rad[-1]), "X", color=color, markersize=11)
for side in (-1, 1):
    ax.axhspan(side * 31.1, side * 40, color="#dddddd", linewidth=0)
ax.axhline(0, color="black", linewidth=0.8)
ax.text(4.95, 35.5, "outside of the picture", ha="right", va="center")
ax.set(xlim=(0, 5), ylim=(-40, 40), xlabel="s", ylabel="bearing of the post, °", title="a jump of 15°, seen 0.3 s late")
_ = ax.legend(loc="lower right", frameon=False)

# %% [markdown]
# *Above, as a still for those who have not run the cell.*
#
# **Why.** (1) From 1.2 on, a little; at 2 it passes by 3°. (2) From 4.5 on. (3) Half as late, nearly twice the limit. What counts is gain times delay: how far the trolley turns, for each degree of error, before it learns what it has done.
#
# Without frames it is a textbook loop: the bearing shrinks at every moment by K times what it was T seconds ago, `b'(t) = −K · b(t − T)`. It does not overshoot up to K · T = 1/e = 0.37, and swings wider and wider from K · T = π/2 = 1.57 on. That is the dotted line of the map. The trolley's own line lies *below* it, and the next part says why.

# %% [markdown]
# ## 5. Frames make it worse
#
# A camera's loop does not see all the time. It sees once a frame, and the command is *held* until the next one: b[k+1] = b[k] − a · b[k−d], where d is the delay in frames and a = K · frame. Its limit is known too: **a = 2 · sin(π / (2 · (2 · d + 1)))**.
#
# **Predict.** One frame of delay, ten pictures a second. The textbook loop allows K = π/2 / 0.1 s = 15.7. What does the loop with frames allow: the same, 10 % less, a third less? And with ten frames of delay?

# %%
from robotlab.motion import continuous_limit, find_limit, sampled_bearing, sampled_critical, sampled_limit

frame_s = 0.1
print("frames late   textbook   with frames   found by trying   textbook is   no overshoot up to")
for d in (1, 2, 3, 5, 10):
    textbook, limit = continuous_limit(d * frame_s), sampled_limit(d) / frame_s
    tried = find_limit(lambda gain: sampled_bearing(gain * frame_s, d, 2000), first_gain=0.5 * limit).limit
    calm = sampled_critical(d) / frame_s
    print(f"{d:>11}   {textbook:8.2f}   {limit:11.2f}   {tried:15.2f}   {100 * (textbook / limit - 1):9.0f} % too high   {calm:8.2f} = {100 * calm / limit:.0f} % of the limit")

# %% [markdown]
# **Why.** A command that is held for a frame is, on average, half a frame older than its picture. So count the delay as d + ½ frames: π/2 / 0.15 s = 10.5 is within 5 % at one frame, and closer beyond. Believing the textbook at one frame would put you 57 % past the limit; seen from there, the truth is 36 % lower.
#
# Look at the last column: **a quarter of the limit** hardly overshoots, whatever the delay. It is a good gain to begin with. And all of this holds for the drive gain too: speed adds up to distance as yaw rate adds up to an angle.

# %% [markdown]
# ### Task 4

# %% tags=["starter"]
def gain_limit(delay_frames, frame_s):
    """Steering gain, 1/s, from which a loop that works frame by frame swings wider and wider.

    delay_frames: whole frames from a picture to the command made from it.
    frame_s: time between two pictures, s; the command is held in between.
    """
    ...


# %% tags=["worked"]
def gain_limit(delay_frames, frame_s):
    """Steering gain, 1/s, from which a loop that works frame by frame swings wider and wider.

    delay_frames: whole frames from a picture to the command made from it.
    frame_s: time between two pictures, s; the command is held in between.
    """
    a = 2 * math.sin(math.pi / (2 * (2 * delay_frames + 1)))
    return a / frame_s


# %% tags=["verify"]
verify(gain_limit)

# %% [markdown]
# ## 6. One limit, found three ways
#
# Our trolley has 0.3 s of delay, and its motors lag: after a new command it takes them 0.1 s to get 63 % of the way. What is its limit?
#
# **By formula.** `loop_limit` works out by what factor a swing grows from frame to frame, motor lag included, and looks for the gain at which that factor is 1.
#
# **By sweep.** Run 181 trolleys at once, each with another gain, and see whose swing grows from the middle third of the run to the last.
#
# **By hand**, as on a real robot: one gain after another, with a tracker that shakes a little.
#
# **Predict.** Without lag the limit was 4.45. With lag: higher or lower? Will the three agree within 1 %, 5 %, 20 %?

# %%
from robotlab.follow import fleet
from robotlab.motion import loop_limit

by_formula = loop_limit(trolley.frame_s, trolley.delay_s, trolley.motor.lag_s)

gains = np.linspace(0.5, 5.0, 181)
swept = fleet(still, trolley, runs=len(gains), start=(0.0, 0.0, -0.02), duration_s=12, vary={"turn_gain": gains, "drive_gain": 0.0})
first = int(np.argmax(swept.swing > 1))
by_sweep = np.interp(1.0, swept.swing[first - 1 : first + 1], gains[first - 1 : first + 1])
print(f"formula {by_formula:.2f}, sweep {by_sweep:.2f}")
for gain in (1, 2, 3, 3.5, 4):
    print(f"gain {gain:>3}: the swing grows {swept.swing[np.argmin(np.abs(gains - gain))]:.2f} times from one third to the next")

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(7, 3), layout="constrained")
ax.plot(gains, swept.swing, color="#0072b2", linewidth=2)
ax.axhline(1, color="black", linewidth=0.8)
ax.axvline(by_formula, linestyle="--", color="#d55e00")
ax.text(by_formula + 0.05, 0.2, f"formula: {by_formula:.2f}", color="#a33c00")
_ = ax.set(xlabel="gain, 1/s", ylabel="growth of the swing", title=f"the sweep crosses 1 at {by_sweep:.2f}", xlim=(0.5, 4.5), ylim=(0, 3))

# %% [markdown]
# Now by hand. The recipe, for a robot that turns on the spot:
#
# 1. The target stands 2 m ahead, still, a little to one side. Begin with a gain that is surely small.
# 2. Let it turn. Look at the swings: is each smaller than the one before? Then stop, and take a gain half as large again.
# 3. Once the swings no longer shrink, or one gets wider than 10°, stop. Go back to the middle between this gain and the last good one, and so on, until the two are close.
# 4. Note that gain and the time of one full swing there and back. They are called K_u and T_u, u for ultimate.
#
# Try one gain yourself first. `measure_swing` reads off the ratio of each swing to the one before; below 1 they die out.

# %% tags=["explore"]
from robotlab.motion import measure_swing

gain = 2.0
run = turn_only(trolley.but(turn_gain=gain), off_deg=2, seconds=10)
swing = measure_swing(run.bearings_rad[np.isfinite(run.bearings_rad)], trolley.frame_s)
print(f"gain {gain}: the first swings are {', '.join(f'{math.degrees(peak):.2f}°' for peak in swing.peaks[:4])}; each is {swing.ratio:.2f} times the one before")

# %%
def try_gain(gain):
    """One test with a shaky tracker, ended when a swing gets wider than 10°: the swing, and whether it was."""
    run = turn_only(trolley.but(turn_gain=gain), off_deg=2, seconds=15, tracker=Oracle(noise_px=0.3))
    bearings = run.bearings_rad[np.isfinite(run.bearings_rad)]
    wide = np.abs(bearings) > math.radians(10)
    end = int(np.argmax(wide)) if wide.any() else len(bearings)
    return measure_swing(bearings[:end], trolley.frame_s, least=math.radians(0.3)), wide.any()


good, bad, gain, tests = 0.0, None, 1.0, 0
while bad is None or bad - good > 0.05 * bad:
    swing, wide = try_gain(gain)
    tests += 1
    dies_out = swing.ratio < 1 and not wide
    words = f"each swing {swing.ratio:.2f} of the one before, one takes {swing.period_s:.2f} s" if swing.ratio else "no swing to speak of"
    print(f"gain {gain:.2f}: {words}{', and wider than 10°' if wide else ''}")
    good, bad = (gain, bad) if dies_out else (good, gain)
    gain = 1.5 * gain if bad is None else (good + bad) / 2

K_u, T_u = good, try_gain(good)[0].period_s
print(f"{tests} tests: K_u = {K_u:.2f} 1/s (formula {by_formula:.2f}), T_u = {T_u:.2f} s")

# %% [markdown]
# **Why.** Three ways, one number, within a few percent. And T_u tells more: a loop at its limit swings with a period of *four delays*. T_u / 4 is how late everything is together: 0.30 s of delay, half a frame or 0.05 s, and 0.1 s of motor lag. (A lag longer than the delay counts for less.) So a stopwatch measures the delay of a robot.

# %%
print(f"T_u / 4 = {T_u / 4:.2f} s; delay + half a frame + lag = {trolley.delay_s + trolley.frame_s / 2 + trolley.motor.lag_s:.2f} s")
for name, share in (("a quarter", 0.25), ("a half", 0.5), ("nine tenths", 0.9)):
    run = turn_only(trolley.but(turn_gain=share * by_formula), off_deg=15, seconds=20)
    off_deg = np.degrees(run.true_bearings_rad)
    late = np.flatnonzero(np.abs(off_deg) > 1)[-1]
    print(f"{name:<11} of the limit, {share * by_formula:.2f} 1/s: passes the post by {-off_deg.min():.1f}°, within 1° for good after {run.t_s[late]:.1f} s")

# %% [markdown]
# **Which share to take.** A quarter turns once and stands. Half, the old rule of Ziegler and Nichols, is livelier and passes the post by a third of the jump. (Limit over gain is called the gain margin: 4 and 2 here.) Nine tenths swings for a long time, and leaves nothing for the day when the computer is a little slower. Delay grows with load and with light (longer exposures): keep a reserve.

# %% [markdown]
# ## 7. Lag and dead band
#
# **Predict.** 0.3 s of delay. Which costs more of the limit: 0.1 s more delay, or 0.1 s of motor lag?

# %%
print("motor lag   delay 0.1 s   delay 0.3 s   delay 0.4 s")
for lag_s in (0.0, 0.1, 0.2, 0.4):
    row = [loop_limit(0.1, delay_s, lag_s) for delay_s in (0.1, 0.3, 0.4)]
    print(f"{lag_s:7.1f} s   {row[0]:11.2f}   {row[1]:11.2f}   {row[2]:11.2f}")

# %% [markdown]
# **Why.** A delay passes nothing on for a while; a lag passes something on at once. So lag costs less, and the second tenth costs less than the first.
#
# A **dead band** is another matter: motors that stand still at small commands because of friction.
#
# **Predict.** Wheels that do not move below 0.02 m/s. The post is 15° to the left, the trolley only turns. Which gain leaves the *larger* error at the end: a quarter of the limit, or half?

# %%
from robotlab.motion import Motor

print("dead band    at gain:" + "".join(f"{share * by_formula:10.2f}" for share in (0.125, 0.25, 0.5)))
for band_mps in (0.0, 0.01, 0.02):
    motor = Motor(lag_s=trolley.motor.lag_s, dead_band_mps=band_mps)
    left_over = [turn_only(trolley.but(turn_gain=share * by_formula, motor=motor), 15, 20).true_bearings_rad[-1] for share in (0.125, 0.25, 0.5)]
    print(f"{band_mps:.2f} m/s   ends beside by" + "".join(f"{abs(math.degrees(rest)):9.1f}°" for rest in left_over))

# %% [markdown]
# **Why.** As soon as gain · bearing · half the track is less than the dead band, the wheels stand. At 0.02 m/s and a gain of 0.94 that is below 8.1°; late commands and the lag carry it on from there, to 3.1°. The small gain gives up first. So the room for a gain is closed from both sides: delay and lag bound it above, the dead band below. Better motors, or a controller in the motor board that measures the wheel speed, open it again.

# %% [markdown]
# ## 8. More than P
#
# Two additions you will meet everywhere:
# - **PD** adds a part for how fast the bearing *changes*. It brakes before the post is reached.
# - **Feed-forward** adds the rate at which the direction to the post turns, worked out from the bearing and from the trolley's own turning, counted at its wheels. P alone needs an error to turn at all.
#
# **Predict.** Which one mends the overshoot after a jump? Which one mends the trailing behind a post that weaves? What do they do with a tracker that shakes?

# %%
shaky = Oracle(noise_px=1.0)
print("law            passes a jump of 15° by   off the weaving post by   roughness of the turning")
for law in ("p", "pd", "feed_forward"):
    settings = trolley.but(turn_gain=0.5 * by_formula, law=law, damping=0.3)
    jump = turn_only(settings, 15, 10).true_bearings_rad
    run = simulate(shaky, WALKS["weave"], camera, settings, pictures=False)
    _, yaw_rates = trolley.drive.twist(*run.wheels_mps.T)
    rough = np.sqrt(np.mean((np.diff(yaw_rates) / 0.02) ** 2))
    off_deg = math.degrees(run.scores()["bearing_error_rad"])
    print(f"{law:<13} {-math.degrees(jump.min()):22.1f}° {off_deg:24.1f}° {rough:20.2f} rad/s²")

# %% [markdown]
# **Why.** PD takes most of the overshoot and leaves the trailing. Feed-forward halves the trailing and leaves the overshoot: the direction to a post that has jumped does not turn. Both make the turning rougher, because both multiply the tracker's shaking. P with a good gain comes first; add one of these when you have measured what it is to mend.

# %% [markdown]
# ## 9. The whole loop
#
# Now with pictures: the greenhouse, the color tracker of lesson 03, the post weaving ahead, 0.3 s of delay. Three gains: 0.25, a quarter of the limit, and 5.
#
# **Predict.** Which of them lose the post? Which needs the most energy?

# %%
from robotlab.color import ColorTracker
from robotlab.greenhouse import render

teachers = [render(greenhouse.with_post_at(distance_m, 0.0), camera) for distance_m in (1.0, 1.5, 2.5)]
tracker = ColorTracker.learn([one.picture for one in teachers], [one.truths.boxes[:1] for one in teachers], "post")
weave = Walk("weave", "The post swings from side to side.", WALKS["weave"].times_s, WALKS["weave"].points_m, greenhouse)

runs = {}
for name, gain in (("too low", 0.25), ("a quarter", round(0.25 * by_formula, 2)), ("too high", 5.0)):
    runs[name] = run = simulate(tracker, weave, camera, trolley.but(turn_gain=gain), duration_s=14)
    scores = run.scores()
    worst_deg = math.degrees(np.abs(run.true_bearings_rad).max())
    print(f"{name:<10} gain {gain:.2f}: lost the post {scores['losses']} times, up to {worst_deg:2.0f}° off, energy {scores['energy_j']:4.1f} J")

# %% tags=["nbval-ignore-output"]
figure, ax = plt.subplots(figsize=(8, 3.2), layout="constrained")
for (name, run), color, dashes in zip(runs.items(), ("#cc79a7", "#0072b2", "#d55e00"), (":", "-", "--")):
    ax.plot(run.t_s, np.degrees(run.true_bearings_rad), dashes, color=color, linewidth=2, label=f"{name}: {run.settings.turn_gain:.2f} 1/s")
for side in (-1, 1):
    ax.axhspan(side * 31.1, side * 55, color="#dddddd", linewidth=0)
ax.text(0.1, 43, "outside of the picture", va="center")
ax.set(xlim=(0, 14), ylim=(-55, 55), xlabel="s", ylabel="bearing of the post, °", title="following a weaving post, three gains")
_ = ax.legend(loc="lower left", frameon=False, ncols=3)

# %% tags=["explore"]
from robotlab.follow import replay_pair_html
from robotlab.widgets import Replay

names = ("a quarter", "too high")
page = replay_pair_html(runs[names[0]], runs[names[1]], names, "The same walk, two gains")
Replay(page, alt="Two runs on one clock, from above and through the camera: with a quarter of the limit the trolley follows smoothly, with too high a gain it swings from side to side and loses the post.")

# %% tags=["still"] picture="loop" alt="Three plans from above of the trolley behind the weaving post. With a gain too low it turns late and looks past the post at the end. With a quarter of the limit it follows smoothly, cutting the bends. With a gain too high its way zigzags and it ends looking aside."
figure, axes = plt.subplots(1, 3, figsize=(7.5, 4.8), layout="constrained", sharey=True)
for ax, (name, run) in zip(axes, runs.items()):
    ax.plot(run.post_m[:, 1], run.post_m[:, 0], "--", color="#d55e00", linewidth=1.5, label="post")
    ax.plot(run.pose[:, 1], run.pose[:, 0], color="black", linewidth=1.8, label="trolley")
    for tick in range(0, len(run.t_s), 50):
        x, y, yaw = run.pose[tick]
        ax.plot([y, y + 0.3 * math.sin(yaw)], [x, x + 0.3 * math.cos(yaw)], color="#0072b2", linewidth=1.5)
    ax.plot(run.post_m[-1, 1], run.post_m[-1, 0], "o", color="#d55e00", markersize=8)
    ax.set(xlim=(1.25, -1.25), ylim=(-0.2, 5.1), aspect="equal", title=f"{name}: gain {run.settings.turn_gain:.2f}", xlabel="to the left, m")
axes[0].set_ylabel("ahead, m")
_ = axes[0].legend(frameon=False, loc="lower left", fontsize=8)

# %% [markdown]
# *Above, the three ways as a still: the blue strokes show once a second where the trolley looks.*
#
# **Why.** Too low, and the post walks out of the picture while the trolley still thinks about it. Too high, and the trolley throws the post out of the picture itself, and pays for every swing. Between lies a wide range: a gain is nothing to tune for days.
#
# **Try.** Replace `names` by `("too low", "a quarter")`. Then find out, with the sliders of part 4, what 0.1 s less delay would allow.

# %% [markdown]
# ## 10. On your own robot
#
# **Cautions**, before anything else:
# - The first test is with the **wheels off the ground**, the robot on a block from which it cannot fall. Keep fingers, hair, sleeves and cables away from the wheels.
# - One **hand on the power switch** whenever the motors have power. Try once that it really stops them.
# - On the floor: a clear floor, at least 2 m in every direction, no stairs. **People and pets stay away**; children watch from behind a table.
# - **Slow limits**: 0.5 rad/s and 0.2 m/s in the program, and lower in the motor board if it can. With this library: `Settings(max_yaw_radps=0.5, max_mps=0.2, max_reverse_mps=0, search_s=0)`; the last one says to stop, and not to turn about, when the target is lost.
# - Batteries, chargers and motors: the maker's data sheet and your local rules come first.
# - **Software is no safety function.** A program, however careful, does not replace the switch that cuts the power (IEC 60204-1, ISO 13850).
#
# **Step 1: measure your delay.** You need a program that sees and turns; `help(robotlab.follow.drive)` shows one. Put the robot on the block, the program running, motors on, speed limits low. With a phone, film the target and a wheel together, in slow motion (120 or 240 pictures a second). Jerk the target to one side. In the film count the pictures from the first one in which the target has moved to the first one in which the wheel changes. Do it five times. No robot yet? Film a lamp and the screen that shows the camera's picture, and switch the lamp on: that is the camera's share, plus a little for the screen.
#
# **Step 2: the sign.** Target far ahead in the middle: both wheels forward. Then, with the drive gain at 0, left and right; write down how the wheels turned.
#
# **Step 3: the limit, and the first gain.** Put your numbers into the cell.

# %% tags=["explore"]
film_hz = 240                          # pictures a second of the phone's film
counts = (88, 80, 94, 84, 90)          # its pictures between target and wheel, five tests
loop_hz = 10                           # pictures a second that your tracker works through
lag_s = 0.1                            # motors: time to 63 % of a new speed; 0.1 if you do not know
# Wheels off the ground: (bearing of the target, left wheel, right wheel), + is left and + is forward.
seen = ((+0.3, -0.1, +0.1), (-0.3, +0.1, -0.1))

measured_s = np.mean(counts) / film_hz
# A jerk falls between two pictures of the loop: on average half a frame passes before it is seen.
delay_s = max(measured_s - 0.5 / loop_hz, 0.0)
limit = loop_limit(1 / loop_hz, delay_s, lag_s)
print(f"sign: {sign_check(*zip(*seen)).message}")
print(f"from target to wheel {measured_s:.2f} s (from {min(counts) / film_hz:.2f} to {max(counts) / film_hz:.2f}); delay of a picture {delay_s:.2f} s")
print(f"gain limit {limit:.2f} 1/s; begin on the floor with {limit / 10:.2f}, then up to {limit / 4:.2f}")

# %% [markdown]
# **Step 4: on the floor.** Only if the sign has passed. Let the robot turn on the spot and nothing else (drive gain 0), the target 2 m ahead. Begin with a tenth of the limit. If it turns toward the target and stands, raise the gain step by step up to a quarter of the limit. It swings before that? Stop: then the delay is longer than you measured. To find K_u follow the recipe of part 6, with the low limit of the yaw rate, and stop each test after three swings.
#
# **Step 5: check.** Note T_u. Is T_u / 4 near your delay plus half a frame plus the lag? Within 20 % is good. Lesson 11 adds ramps and a plan for a lost target; before that, do not let it drive.

# %% [markdown]
# ## What to remember
#
# - Left is plus, for bearing and yaw rate alike. With the wrong sign the robot flees, whatever the gain: test with the wheels off the ground, on both sides.
# - Yaw rate = gain · bearing, with a limit. P-control trails what moves steadily, by speed / gain.
# - left = v − ω · L/2, right = v + ω · L/2. Slow both wheels or none.
# - Late pictures limit the gain. Add up delay, half a frame and motor lag: the limit is about 1.57 / sum (more where the lag is large), and a quarter of that is calm.
# - The textbook's π/2 is for loops without frames, and up to 57 % too high for one with frames.
# - By trying: raise the gain until it just keeps swinging. T_u / 4 is the whole delay.
# - A dead band needs a larger gain, delay a smaller one. PD mends overshoot, feed-forward mends trailing, and both pass on the tracker's shaking.
#
# ## Sources
#
# - Axes and signs: ISO 8855. Stops: IEC 60204-1, ISO 13850.
# - Two driven wheels: R. Siegwart, I. Nourbakhsh, D. Scaramuzza, *Introduction to Autonomous Mobile Robots*, 2nd ed., section 3.2 (cited from memory). Exact arcs: S. Thrun, W. Burgard, D. Fox, *Probabilistic Robotics*, section 5.3 (from memory).
# - The delayed loop without frames, 1/e and π/2: a textbook result, for instance arXiv:1404.4763.
# - With frames: S. A. Levin, R. M. May, *A note on difference-delay equations*, Theoretical Population Biology 9:178-187, 1976 (from memory; part 5 finds the same by trying).
# - Gain and period at the limit, and the half: J. G. Ziegler, N. B. Nichols, *Optimum settings for automatic controllers*, Transactions of the ASME 64:759-768, 1942 (from memory).
