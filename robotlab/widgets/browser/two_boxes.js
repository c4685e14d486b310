// The boxes are drawn here, so that they follow the pointer at once; the
// numbers come from the kernel, one set at a time.

const SVG = "http://www.w3.org/2000/svg";
// A corner is taken when the pointer is this near, in px of the page.
const NEAR_PX = 12;
const NAMES = ["A", "B"];
const COLORS = ["#0072b2", "#d55e00"];

function shape(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

function render({ model, el }) {
  const [wide, tall] = model.get("size_px");
  // Sizes of text and handles in px of the sheet: about a thirtieth of its width.
  const unit = wide / 40;
  // Room around the sheet for the handles of a box at its edge.
  const rim = unit / 2;
  let boxes = model.get("asked").boxes.map((box) => [...box]);

  const sheet = shape("svg", {
    viewBox: `${-rim} ${-rim} ${wide + 2 * rim} ${tall + 2 * rim}`, class: "robotlab-two-boxes", role: "group", "aria-label": model.get("alt"),
    style: "display: block; width: 660px; max-width: 100%; background: #fff; touch-action: none; user-select: none; cursor: grab;",
  });
  sheet.append(shape("rect", { width: wide, height: tall, fill: "none", stroke: "#999", "stroke-width": 0.08 * unit }));
  const bytes = model.get("background");
  let address = null;
  if (bytes.byteLength) {
    address = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
    sheet.append(shape("image", { href: address, width: wide, height: tall, style: "image-rendering: pixelated" }));
  } else {
    // A line at each edge of a pixel, a darker one at each tenth.
    for (let x = 1; x < wide; x++) sheet.append(shape("line", { x1: x, x2: x, y1: 0, y2: tall, stroke: x % 10 ? "#e3e3e3" : "#aaa", "stroke-width": 0.04 }));
    for (let y = 1; y < tall; y++) sheet.append(shape("line", { x1: 0, x2: wide, y1: y, y2: y, stroke: y % 10 ? "#e3e3e3" : "#aaa", "stroke-width": 0.04 }));
  }
  const hatch = `robotlab-hatch-${Math.random().toString(36).slice(2)}`;
  sheet.append(shape("defs", {}, shape("pattern", {
    id: hatch, width: 0.6 * unit, height: 0.6 * unit, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)",
  }, shape("rect", { width: 0.22 * unit, height: 0.6 * unit, fill: "#222" }))));
  const shared = shape("rect", { fill: `url(#${hatch})`, "fill-opacity": 0.7, class: "robotlab-shared" });
  const parts = NAMES.map((name, which) => {
    // White under the color shows on any picture.
    const under = shape("rect", { fill: COLORS[which], "fill-opacity": 0.12, stroke: "#fff", "stroke-width": 0.34 * unit });
    const line = shape("rect", {
      fill: "none", stroke: COLORS[which], "stroke-width": 0.18 * unit, "stroke-dasharray": which ? `${0.55 * unit} ${0.3 * unit}` : "none",
    });
    const label = shape("text", {
      "font-size": 1.3 * unit, "font-weight": 700, fill: COLORS[which], stroke: "#fff", "stroke-width": 0.25 * unit, "paint-order": "stroke",
    }, name);
    const corners = [0, 1, 2, 3].map(() => shape("circle", { r: 0.32 * unit, fill: "#fff", stroke: COLORS[which], "stroke-width": 0.14 * unit }));
    const group = shape("g", { tabindex: "0", role: "application", "data-box": name, style: "outline: none" }, under, line, ...corners, label);
    group.addEventListener("focus", () => line.setAttribute("stroke-width", 0.32 * unit));
    group.addEventListener("blur", () => line.setAttribute("stroke-width", 0.18 * unit));
    return { group, rects: [under, line], label, corners };
  });
  sheet.append(parts[0].group, parts[1].group, shared);
  shared.style.pointerEvents = "none";

  const text = make("p", { class: "robotlab-text", "aria-live": "polite" });
  const help = make("p", { class: "robotlab-text" },
    "Drag a box to move it, a corner to change it. Keys: Tab to a box, arrows move it, Shift and arrows change its size.");
  // The text below: above, a line more or less would move the sheet under the pointer.
  const box = make("div", { class: "robotlab-widget" }, sheet, text, help);

  function put(rect, [x0, y0, x1, y1]) {
    for (const [name, value] of [["x", x0], ["y", y0], ["width", Math.max(0, x1 - x0)], ["height", Math.max(0, y1 - y0)]]) rect.setAttribute(name, value);
  }
  const cornersOf = ([x0, y0, x1, y1]) => [[x0, y0], [x1, y0], [x0, y1], [x1, y1]];

  function draw() {
    boxes.forEach((one, which) => {
      const part = parts[which];
      part.rects.forEach((rect) => put(rect, one));
      cornersOf(one).forEach(([x, y], place) => {
        part.corners[place].setAttribute("cx", x);
        part.corners[place].setAttribute("cy", y);
      });
      // A at its upper left, B at its lower right, so that the two do not cover each other.
      part.label.setAttribute("x", which ? one[2] - 1.5 * unit : one[0] + 0.5 * unit);
      part.label.setAttribute("y", which ? one[3] - 0.6 * unit : one[1] + 1.5 * unit);
      part.group.setAttribute("aria-label", `Box ${NAMES[which]}, corners ${one.join(", ")}. Arrow keys move it, Shift and arrow keys change its size.`);
    });
    const [a, b] = boxes;
    put(shared, [Math.max(a[0], b[0]), Math.max(a[1], b[1]), Math.min(a[2], b[2]), Math.min(a[3], b[3])]);
  }

  let waiting = false, wanted = false;
  function ask() {
    if (waiting) { wanted = true; return; }
    waiting = true;
    wanted = false;
    watch.expect();
    model.set("asked", { number: model.get("asked").number + 1, boxes: boxes.map((one) => [...one]) });
    model.save_changes();
  }
  function show() {
    text.textContent = model.get("text");
    text.classList.toggle("failed", model.get("failed"));
  }
  function answer() {
    watch.heard();
    waiting = false;
    show();
    if (wanted) ask();
  }

  const keep = (value, low, high) => Math.min(high, Math.max(low, Math.round(value)));
  function place(which, x0, y0) {
    const [w, h] = [boxes[which][2] - boxes[which][0], boxes[which][3] - boxes[which][1]];
    const [x, y] = [keep(x0, 0, wide - w), keep(y0, 0, tall - h)];
    change(which, [x, y, x + w, y + h]);
  }
  // Corners in reading order: 1 and 3 are right, 2 and 3 are below.
  function pull(which, corner, x, y) {
    const one = [...boxes[which]];
    if (corner % 2) one[2] = keep(x, one[0] + 1, wide); else one[0] = keep(x, 0, one[2] - 1);
    if (corner > 1) one[3] = keep(y, one[1] + 1, tall); else one[1] = keep(y, 0, one[3] - 1);
    change(which, one);
  }
  function change(which, one) {
    if (one.every((value, n) => value === boxes[which][n])) return;
    boxes[which] = one;
    draw();
    ask();
  }

  function pointer(event) {
    const at = sheet.getBoundingClientRect();
    const scale = (wide + 2 * rim) / at.width;
    return { x: (event.clientX - at.left) * scale - rim, y: (event.clientY - at.top) * scale - rim, near: NEAR_PX * scale };
  }
  let grip = null;
  sheet.addEventListener("pointerdown", (event) => {
    const { x, y, near } = pointer(event);
    grip = null;
    let closest = near;
    boxes.forEach((one, which) => cornersOf(one).forEach(([cx, cy], corner) => {
      const away = Math.hypot(cx - x, cy - y);
      if (away <= closest) { closest = away; grip = { which, corner }; }
    }));
    if (grip === null) {
      const size = ([x0, y0, x1, y1]) => (x1 - x0) * (y1 - y0);
      const under = [0, 1].filter((which) => boxes[which][0] <= x && x <= boxes[which][2] && boxes[which][1] <= y && y <= boxes[which][3]);
      under.sort((p, q) => size(boxes[p]) - size(boxes[q]));
      if (under.length) grip = { which: under[0], dx: x - boxes[under[0]][0], dy: y - boxes[under[0]][1] };
    }
    if (grip === null) return;
    parts[grip.which].group.focus({ preventScroll: true });
    sheet.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  sheet.addEventListener("pointermove", (event) => {
    if (grip === null || !sheet.hasPointerCapture(event.pointerId)) return;
    const { x, y } = pointer(event);
    if (grip.corner === undefined) place(grip.which, x - grip.dx, y - grip.dy);
    else pull(grip.which, grip.corner, x, y);
  });
  const STEPS = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
  parts.forEach(({ group }, which) => group.addEventListener("keydown", (event) => {
    const step = STEPS[event.key];
    if (!step) return;
    const one = boxes[which];
    if (event.shiftKey) pull(which, 3, one[2] + step[0], one[3] + step[1]);
    else place(which, one[0] + step[0], one[1] + step[1]);
    event.preventDefault();
  }));
  keepKeys(sheet);

  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. Wait for it, or restart it and run the cells from the top.");
  el.append(box);
  draw();
  show();
  model.on("change:answered", answer);
  return () => {
    watch.stop();
    model.off("change:answered", answer);
    if (address) URL.revokeObjectURL(address);
  };
}

export default { render };
