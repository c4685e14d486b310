"""A right answer to each task as a learner may write it: never the way the references go."""

import math

import numpy as np


def luminance(picture):
    red, green, blue = (picture[..., channel].astype(float) for channel in range(3))
    return 0.299 * red + 0.587 * green + 0.114 * blue


def scaled_size(width_px, height_px, longest_px):
    factor = longest_px / max(width_px, height_px)
    return max(1, int(width_px * factor + 0.5)), max(1, int(height_px * factor + 0.5))


def shrink(gray, step):
    height, width = gray.shape[0] // step, gray.shape[1] // step
    small = np.zeros((height, width))
    for row in range(height):
        for column in range(width):
            small[row, column] = gray[row * step : (row + 1) * step, column * step : (column + 1) * step].mean()
    return small


def alias_frequency(cycles_per_px, step):
    left = cycles_per_px * step % 1
    return 1 - left if left > 0.5 else left


def field_of_view(sensor_mm, focal_mm):
    return 2 * math.atan2(sensor_mm / 2, focal_mm)


def pixels_on_target(size_m, distance_m, hfov_rad, image_width_px):
    strip_m = 2 * distance_m * math.tan(hfov_rad / 2)
    return size_m / (strip_m / image_width_px)


def working_range(object_m, smallest_px, hfov_rad, width_px, height_px):
    pixel = 2 * math.tan(hfov_rad / 2) / width_px
    return [object_m / (pixel * height_px), object_m / (pixel * smallest_px)]


def bearing(x_px, width_px, hfov_rad):
    return math.atan2((width_px - 2 * x_px) * math.tan(hfov_rad / 2), width_px)


def in_band(hue, low, high):
    from_low = (hue.astype(int) - low) % 180
    return from_low <= (high - low) % 180


def centroid(mask):
    places = [(column + 0.5, row + 0.5) for row, line in enumerate(mask) for column, on in enumerate(line) if on]
    if not places:
        return None
    return sum(x for x, _ in places) / len(places), sum(y for _, y in places) / len(places)


def largest_blob(mask):
    best, seen = np.zeros_like(mask), np.zeros_like(mask)
    for start in np.argwhere(mask):
        if seen[tuple(start)]:
            continue
        blob, waiting = np.zeros_like(mask), [tuple(start)]
        while waiting:
            row, column = waiting.pop()
            if 0 <= row < mask.shape[0] and 0 <= column < mask.shape[1] and mask[row, column] and not blob[row, column]:
                blob[row, column] = True
                waiting += [(row + i, column + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        seen |= blob
        if blob.sum() > best.sum():
            best = blob
    return best


def mean_hue(hues_deg):
    arrow = np.exp(1j * np.radians(hues_deg % 360)).sum()
    angle = math.degrees(math.atan2(arrow.imag, arrow.real))
    return angle + 360 if angle < 0 else angle


def softmax(scores):
    return np.array([[1 / sum(math.exp(min(other - one, 700)) for other in row) for one in row] for row in scores])


def top_k(scores, k):
    return np.array(sorted(range(len(scores)), key=lambda place: (-scores[place], place))[:k])


def abstain(probabilities, least):
    return np.array([int(np.argmax(row)) if max(row) >= least else -1 for row in probabilities])


def corners_from_xywh(boxes):
    corners = np.array(boxes, float)
    corners[:, 2:] += corners[:, :2]
    return corners


def iou(a, b):
    wide = max(0, min(a[2], b[2]) - max(a[0], b[0]))
    high = max(0, min(a[3], b[3]) - max(a[1], b[1]))
    areas = [(box[2] - box[0]) * (box[3] - box[1]) for box in (a, b)]
    together = sum(areas) - wide * high
    return wide * high / together if together else 0


def nms(boxes, scores, iou_limit):
    left = sorted(range(len(scores)), key=lambda place: (-scores[place], place))
    kept = []
    while left:
        best = left.pop(0)
        kept.append(best)
        left = [place for place in left if iou(boxes[best], boxes[place]) <= iou_limit]
    return np.array(kept, int)


def ramp_step(speed_mps, wanted_mps, accel_mps2, dt_s):
    if wanted_mps > speed_mps:
        return min(wanted_mps, speed_mps + accel_mps2 * dt_s)
    return max(wanted_mps, speed_mps - accel_mps2 * dt_s)


def stopping_distance(speed_mps, decel_mps2, delay_s):
    braking_s = abs(speed_mps) / decel_mps2
    return abs(speed_mps) * (delay_s + braking_s / 2)


def safe_speed(clear_m, decel_mps2, delay_s):
    return max(np.roots([1 / (2 * decel_mps2), delay_s, -clear_m]))


def watchdog(now_s, last_good_s, slow_s, stop_s):
    age = now_s - last_good_s
    if math.isnan(age) or age < 0 or age > stop_s:
        return "stop"
    return "slow" if age > slow_s else "go"


def bearing_error(box, width_px, hfov_rad):
    left_px = width_px - box[0] - box[2]
    return math.atan2(left_px * math.tan(hfov_rad / 2), width_px)


def p_law(bearing_rad, distance_m, turn_gain, drive_gain, following_distance_m, max_yaw_radps, max_mps):
    yaw, speed = turn_gain * bearing_rad, drive_gain * distance_m - drive_gain * following_distance_m
    if abs(yaw) > max_yaw_radps:
        yaw = math.copysign(max_yaw_radps, yaw)
    return [float(np.clip(speed, 0, max_mps)), yaw]


def wheel_speeds(v_mps, yaw_radps, track_m, max_mps):
    wheels = np.linalg.solve([[0.5, 0.5], [-1 / track_m, 1 / track_m]], [v_mps, yaw_radps])
    fastest = np.abs(wheels).max()
    return wheels if fastest <= max_mps else wheels / fastest * max_mps


def gain_limit(delay_frames, frame_s):
    return 2 * math.cos(math.pi * delay_frames / (2 * delay_frames + 1)) / frame_s


def cross_entropy(scores, classes):
    losses = [np.logaddexp.reduce(row) - row[label] for row, label in zip(scores, classes)]
    return sum(losses) / len(losses)


def head_gradient(x, probabilities, classes):
    gradient = np.zeros((x.shape[1], probabilities.shape[1]))
    for row, probability, label in zip(x, probabilities, classes):
        for k in range(len(probability)):
            gradient[:, k] += row * (probability[k] - (k == label)) / len(x)
    return gradient


def ridge(x, y, penalty):
    more = math.sqrt(penalty) * np.eye(x.shape[1])
    return np.linalg.lstsq(np.vstack([x, more]), np.append(y, np.zeros(x.shape[1])), rcond=None)[0]


def cycle_rate(step, steps, peak):
    top = (steps - 1) / 4
    if step < top:
        return peak * (1 / 25 + 24 / 25 * math.sin(math.pi / 2 * step / top) ** 2)
    return peak * (1 - 0.999 * math.sin(math.pi / 2 * (step - top) / (3 * top)) ** 2)


def match_boxes(overlaps, scores, iou_limit):
    free, found = overlaps.copy(), np.full(len(scores), -1)
    for row in sorted(range(len(scores)), key=lambda place: -scores[place]):
        if free.shape[1] and free[row].max() >= iou_limit:
            found[row] = int(np.argmax(free[row]))
            free[:, found[row]] = -1
    return found


def precision_recall(hits, truths):
    right = [sum(hits[: place + 1]) for place in range(len(hits))]
    return np.array([n / (place + 1) for place, n in enumerate(right)]), np.array([n / truths for n in right])


def average_precision(hits, truths):
    area = 0.0
    for level in range(1, sum(hits) + 1):
        later = [sum(hits[: place + 1]) / (place + 1) for place in range(len(hits)) if sum(hits[: place + 1]) >= level]
        area += max(later) / truths
    return area


def wilson_interval(hits, trials):
    # The ends are the shares q with (p - q)² = z² q (1 - q) / n: a quadratic.
    p, spread = hits / trials, 1.96**2 / trials
    root = math.sqrt(max(0, (2 * p + spread) ** 2 - 4 * (1 + spread) * p * p))
    return [(2 * p + spread - root) / (2 + 2 * spread), (2 * p + spread + root) / (2 + 2 * spread)]


def mcnemar_p(only_a, only_b):
    total = only_a + only_b
    ways = sum(math.comb(total, few) for few in range(min(only_a, only_b) + 1))
    return min(1, 2 * ways / 2**total)


def usable_distance(distances_m, recalls, least_recall):
    farthest = 0.0
    for distance, recall in zip(distances_m, recalls):
        if recall < least_recall:
            break
        farthest = float(distance)
    return farthest


def paired_interval(simple_m, other_m, factor):
    gains = [a - b for a, b in zip(simple_m, other_m)]
    n, mean = len(gains), sum(gains) / len(gains)
    error = (sum((gain - mean) ** 2 for gain in gains) / (n - 1) / n) ** 0.5
    return mean - factor * error, mean + factor * error


def choose(low_m, high_m, matters_m):
    decided = {(True, True): "other", (False, False): "simple"}
    return decided.get((low_m >= matters_m, high_m >= matters_m), "more walks")


def throughput(stages_s, camera_hz, own_threads):
    between_s = [1 / camera_hz, max(stages_s) if own_threads else sum(stages_s)]
    return 1 / sorted(between_s)[-1]


def latency(stages_s, waiting, own_threads):
    now_s = 0.0
    for _ in range(waiting):
        now_s += np.sort(stages_s)[-1] if own_threads else sum(stages_s)
    for stage_s in stages_s:
        now_s += stage_s
    return now_s


def frames_in_flight(taken_s, acted_s, duration_s):
    if len(taken_s) == 0:
        return 0
    return len(taken_s) / duration_s * (np.mean(acted_s) - np.mean(taken_s))


def running_time(capacity_ah, cells, cell_v, power_w, share):
    energy_wh = capacity_ah * cells * cell_v * share
    return energy_wh / (power_w / 60)


def cells_state(cell_v, stop_v, most_spread_v):
    volts = sorted(cell_v)
    if any(volt < stop_v for volt in volts):
        return "stop"
    return "go on" if volts[-1] - volts[0] <= most_spread_v else "balance"


def distance_counts(heights_px, height_m, focal_px, edges_m):
    counts = np.zeros(len(edges_m) - 1, int)
    for height in heights_px:
        away = height_m / height * focal_px
        for place in range(len(counts)):
            if edges_m[place] <= away < edges_m[place + 1]:
                counts[place] += 1
    return counts


def blur_measure(gray):
    from scipy.ndimage import correlate

    found = correlate(gray.astype(float), np.array([[0, 1, 0], [1, -4, 1], [0, 1, 0]]))[1:-1, 1:-1]
    return (found**2).mean() - found.mean() ** 2


def label_agreement(first, second, least_iou):
    def overlap(a, b):
        wide, tall = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
        shared = max(0, wide) * max(0, tall)
        return shared / ((a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - shared)

    table = sorted(((overlap(a, b), i, j) for i, a in enumerate(first) for j, b in enumerate(second)), reverse=True)
    mine, its = set(), set()
    for value, i, j in table:
        if value >= least_iou and i not in mine and j not in its:
            mine.add(i)
            its.add(j)
    boxes = len(first) + len(second)
    return (len(mine) + len(its)) / boxes if boxes else 1.0


def leaked_part(train, test, near):
    known = {int(frame) for frame in train}
    leaked = [frame for frame in test if any(frame + step in known for step in range(-near, near + 1))]
    return len(leaked) / len(test)


def hfov_from_sheet(sheet_m, distance_m, sheet_px, width_px):
    strip_m = width_px * sheet_m / sheet_px
    return 2 * math.atan2(strip_m / 2, distance_m)


def camera_delay(seen_s, switched_s):
    delays_s = sorted(min(seen - time for time in switched_s if time < seen) for seen in seen_s)
    middle = len(delays_s) // 2
    return delays_s[middle] if len(delays_s) % 2 else (delays_s[middle - 1] + delays_s[middle]) / 2


def wheel_commands(wanted_mps, came_m, told_m):
    ways_m = [sum(run[side] for run in came_m) / len(came_m) for side in (0, 1)]
    return np.array([speed * told_m / way for speed, way in zip(wanted_mps, ways_m, strict=True)])


def halts_at(line_s, good, timeout_s, until_s):
    halt_s = math.inf
    for time, agrees in zip(line_s, good, strict=True):
        if time > halt_s:
            break
        if agrees:
            halt_s = time + timeout_s
    return min(halt_s, until_s)
