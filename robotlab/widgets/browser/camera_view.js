// The plan is drawn here, so that the post follows the pointer at once; the
// camera's picture comes from the kernel, one at a time.

const SVG = "http://www.w3.org/2000/svg";
// Drawing units for one meter of the plan, and what lies behind the camera, m.
const UNITS = 50;
const BEHIND_M = 0.45;

function shape(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

const SIGNS = { bucket: ["■", "#0072b2"], crate: ["◆", "#b07800"], plant: ["▲", "#00795a"], pot: ["●", "#777777"] };

function render({ model, el }) {
  const reach = model.get("reach");
  const wide = 2 * reach.left_m + 1.2, tall = reach.ahead_m + 0.3 + BEHIND_M;
  // Ahead is up and left is left, as the camera sees it.
  const across = (left) => (wide / 2 - left) * UNITS;
  const down = (ahead) => (reach.ahead_m + 0.3 - ahead) * UNITS;

  const plan = shape("svg", {
    viewBox: `0 0 ${wide * UNITS} ${tall * UNITS}`, class: "robotlab-plan", tabindex: "0", role: "application",
    "aria-label": "Plan from above. The arrow keys move the post by 0.1 m, with Shift by 0.5 m, Home puts it 2 m ahead.",
  });
  const fan = shape("path", { fill: "#0072b2", "fill-opacity": "0.12", stroke: "#0072b2", "stroke-width": "1.5" });
  const good = shape("path", { fill: "#0072b2", "fill-opacity": "0.22" });
  plan.append(fan, good);
  for (let m = 1; m <= reach.ahead_m; m++) {
    plan.append(shape("line", { x1: 0, x2: wide * UNITS, y1: down(m), y2: down(m), stroke: "#bbb", "stroke-width": "0.7" }));
    plan.append(shape("text", { x: 3, y: down(m) - 3, "font-size": "12", fill: "#444" }, `${m} m`));
  }
  for (const thing of model.get("things")) {
    const [sign, color] = SIGNS[thing.kind] || ["■", "#777777"];
    plan.append(shape("text", { x: across(thing.left_m), y: down(thing.ahead_m) + 5, "font-size": "15", fill: color, "text-anchor": "middle" }, sign));
  }
  plan.append(shape("path", { d: `M ${across(0)} ${down(0)} l -9 16 h 18 z`, fill: "#222" }));
  const ring = shape("circle", { r: "15", fill: "none", stroke: "#222", "stroke-dasharray": "3 3" });
  const dot = shape("circle", { r: "7", fill: "#d55e00", stroke: "#222", "stroke-width": "1.5" });
  plan.append(ring, dot);

  const image = make("img", { alt: model.get("alt"), class: "robotlab-view" });
  const lens = make("img", { alt: "The pixels around the post, magnified, with a line between them.", class: "robotlab-lens" });
  const text = make("p", { class: "robotlab-text", "aria-live": "polite" });
  const titled = (words, picture) => make("figure", {}, make("figcaption", {}, words), picture);
  const box = make("div", { class: "robotlab-widget robotlab-camera-view" }, text,
    make("div", { class: "robotlab-side-by-side" },
      titled("From above: drag the post, or use the arrow keys", plan),
      make("div", {}, titled("What the camera sees (rendered)", image), titled("Its pixels at the post, magnified", lens))));

  let request = { ...model.get("asked") };
  let waiting = false, wanted = false;

  function ask() {
    if (waiting) { wanted = true; return; }
    waiting = true;
    wanted = false;
    watch.expect();
    request = { ...request, number: request.number + 1 };
    model.set("asked", request);
    model.save_changes();
  }

  function drawPlan() {
    for (const shape of [ring, dot]) {
      shape.setAttribute("cx", across(request.left_m));
      shape.setAttribute("cy", down(request.ahead_m));
    }
    const slope = Math.tan(request.hfov_deg * Math.PI / 360);
    const piece = (from, to) => {
      const [a, b] = [from * slope, to * slope];
      return `M ${across(a)} ${down(from)} L ${across(b)} ${down(to)} L ${across(-b)} ${down(to)} L ${across(-a)} ${down(from)} Z`;
    };
    const end = reach.ahead_m + 0.3;
    fan.setAttribute("d", piece(0, end));
    const [near, far] = model.get("band");
    good.setAttribute("d", near < Math.min(far, end) ? piece(near, Math.min(far, end)) : "");
  }

  function show() {
    text.textContent = model.get("text");
    putPicture(image, model.get("picture"));
    putPicture(lens, model.get("lens"));
    drawPlan();
  }

  function answer() {
    watch.heard();
    waiting = false;
    show();
    if (wanted) ask();
  }

  function move(ahead, left) {
    const keep = (value, low, high) => Math.round(Math.min(high, Math.max(low, value)) * 20) / 20;
    request = { ...request, ahead_m: keep(ahead, reach.nearest_m, reach.ahead_m), left_m: keep(left, -reach.left_m, reach.left_m) };
    drawPlan();
    ask();
  }

  function follow(event) {
    const place = plan.getBoundingClientRect();
    const scale = wide / place.width;
    move(reach.ahead_m + 0.3 - (event.clientY - place.top) * scale, wide / 2 - (event.clientX - place.left) * scale);
  }

  plan.addEventListener("pointerdown", (event) => {
    plan.focus({ preventScroll: true });
    plan.setPointerCapture(event.pointerId);
    follow(event);
    event.preventDefault();
  });
  plan.addEventListener("pointermove", (event) => {
    if (plan.hasPointerCapture(event.pointerId)) follow(event);
  });
  const STEPS = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, 1], ArrowRight: [0, -1] };
  plan.addEventListener("keydown", (event) => {
    const step = STEPS[event.key];
    if (event.key === "Home") move(2, 0);
    else if (step) move(request.ahead_m + step[0] * (event.shiftKey ? 0.5 : 0.1), request.left_m + step[1] * (event.shiftKey ? 0.5 : 0.1));
    else return;
    event.preventDefault();
  });
  keepKeys(plan);

  for (const slider of model.get("sliders")) {
    box.append(sliderRow(slider, request[slider.name], (value) => {
      request = { ...request, [slider.name]: value };
      drawPlan();
      ask();
    }));
  }
  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. Wait for it, or restart it and run the cells from the top.");
  el.append(box);
  show();
  model.on("change:answered", answer);
  return () => {
    watch.stop();
    model.off("change:answered", answer);
    for (const one of [image, lens]) if (one.src) URL.revokeObjectURL(one.src);
  };
}

export default { render };
