"""Films, streams and cameras that the tests make themselves."""

from __future__ import annotations

import threading
import time
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import cv2
import numpy as np

from robotlab.image import encode


def numbered(number: int, size: tuple[int, int] = (64, 48)) -> np.ndarray:
    """A picture that shows a number as its brightness, above stripes so that it has detail."""
    picture = np.zeros((size[1], size[0], 3), np.uint8)
    picture[: size[1] // 2] = number
    picture[size[1] // 2 :, (np.arange(size[0]) // 8 + number) % 2 == 0] = 200
    return picture


def number_of(picture: np.ndarray) -> int:
    return int(picture[: picture.shape[0] // 3].mean().round())


def write_film(path, pictures, rate_hz: float = 25.0, code: str = "MJPG"):
    """A film of RGB pictures."""
    height, width = pictures[0].shape[:2]
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*code), rate_hz, (width, height))
    assert writer.isOpened(), path
    for picture in pictures:
        writer.write(np.ascontiguousarray(picture[..., ::-1]))
    writer.release()
    return path


class StandInVideo:
    """What ``open_video`` returns, without a camera: pictures come from a function of their number."""

    live = True

    def __init__(self, picture_of, rate_hz: float = 200.0, size=None) -> None:
        self._picture_of, self._pause, self._count = picture_of, 1 / rate_hz, 0
        first = picture_of(0)
        self.size = size or (first.shape[1], first.shape[0])
        self.name, self.time_s, self.grabbed_s, self.closed = "stand-in", 0.0, 0.0, False

    def read(self):
        time.sleep(self._pause)
        picture = self._picture_of(self._count)
        self._count += 1
        self.grabbed_s = time.monotonic()
        return picture

    def exposure_s(self):
        return 0.01

    def driver(self):
        return ""

    def close(self):
        self.closed = True


@contextmanager
def jpeg_stream(port: int = 0, rate_hz: float = 50.0, pictures: int = 10**6):
    """A camera on the network: JPEG pictures one after the other (multipart/x-mixed-replace); gives its address."""
    leave = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "multipart/x-mixed-replace; boundary=picture")
            self.end_headers()
            try:
                for count in range(pictures):
                    if leave.wait(1 / rate_hz):
                        return
                    jpeg = encode(numbered(count % 200), "jpg")
                    head = b"--picture\r\nContent-Type: image/jpeg\r\nContent-Length: %d\r\n\r\n" % len(jpeg)
                    self.wfile.write(head + jpeg + b"\r\n")
            except OSError:
                pass

        def log_message(self, *_):
            pass

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}/"
    finally:
        leave.set()
        server.shutdown()
        server.server_close()
        thread.join()
