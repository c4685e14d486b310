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


def working_band(object_m, smallest_px, hfov_rad, width_px, height_px):
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
    arrow = np.exp(1j * np.radians(hues_deg)).sum()
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


def suppress(boxes, scores, iou_limit):
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
