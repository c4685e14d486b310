// All is drawn here, so that slider and play button work while the kernel is
// busy with the training that is being watched.

const SVG = "http://www.w3.org/2000/svg";
// Between two stages while playing, in milliseconds.
const PACE_MS = 800;
// The chart in its own px: two panels, one above the other.
const CHART = { width: 360, height: 300, left: 46, right: 70, top: 20, panel: 96, gap: 42 };
const LOSS_COLOR = "#0072b2";
const FIGURES = [["AP50", "#d55e00", "none"], ["AP", "#00795a", "5 3"]];

function shape(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

// A round number at or above a positive one: 1, 2 or 5 times a power of ten.
function roundUp(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  return [1, 2, 5, 10].map((times) => times * power).find((round) => round >= value * (1 - 1e-9));
}

function render({ model, el }) {
  const [wide, tall] = model.get("size_px");
  const unit = wide / 320;
  const address = URL.createObjectURL(new Blob([model.get("background")], { type: "image/png" }));
  const picture = shape("svg", {
    viewBox: `0 0 ${wide} ${tall}`, class: "robotlab-monitor-picture", role: "img", "aria-label": model.get("alt"),
    style: "display: block; flex: 1 1 300px; width: 420px; max-width: 460px; background: #fff;",
  });
  const chart = shape("svg", {
    viewBox: `0 0 ${CHART.width} ${CHART.height}`, class: "robotlab-monitor-chart", role: "img",
    style: "display: block; flex: 1 1 280px; width: 360px; max-width: 420px; background: #fff; font-family: sans-serif;",
  });
  const text = make("p", { class: "robotlab-text", "aria-live": "polite" });

  let stage = Math.max(0, model.get("stages").length - 1);
  let timer = null;

  const id = `robotlab-${Math.random().toString(36).slice(2)}`;
  const slider = make("input", { type: "range", id, min: 0, max: 0, step: 1, value: 0, "data-name": "stage" });
  const output = make("output", { for: id });
  const button = make("button", { type: "button", style: "min-width: 6em; padding: 4px 10px; font: inherit; cursor: pointer;" }, "Play");
  const table = make("table", { style: "font-variant-numeric: tabular-nums; border-spacing: 10px 0; text-align: right;" });
  const numbers = make("details", {}, make("summary", {}, "All numbers"), table);
  const box = make("div", { class: "robotlab-widget robotlab-training-monitor" },
    make("div", { class: "robotlab-side-by-side" }, picture, chart), text,
    make("div", { class: "robotlab-row" }, make("label", { for: id }, "stage"), slider, output, button), numbers);
  keepKeys(slider);
  keepKeys(button);

  function outline([x0, y0, x1, y1], color, width, dashes) {
    return shape("rect", {
      x: x0, y: y0, width: Math.max(0, x1 - x0), height: Math.max(0, y1 - y0), fill: "none",
      stroke: color, "stroke-width": width * unit, "stroke-dasharray": dashes,
    });
  }

  function drawPicture(now) {
    const parts = [shape("image", { href: address, width: wide, height: tall })];
    for (const truth of model.get("truths")) parts.push(outline(truth.box, "#000", 1.4, "none"), outline(truth.box, "#fff", 1.4, `${3 * unit} ${3 * unit}`));
    for (const one of now ? now.boxes : []) {
      parts.push(outline(one.box, "#fff", 3, "none"), outline(one.box, model.get("colors")[one.label], 1.7, "none"));
    }
    for (const one of now ? now.boxes : []) {
      parts.push(shape("text", {
        x: one.at[0], y: one.at[1], "font-size": 9.5 * unit, "font-weight": 700, fill: model.get("colors")[one.label],
        stroke: "#fff", "stroke-width": 2.6 * unit, "paint-order": "stroke", "font-family": "sans-serif",
      }, one.words));
    }
    picture.replaceChildren(...parts);
  }

  function drawChart(now) {
    const losses = model.get("losses"), stages = model.get("stages");
    const most = Math.max(10, ...losses.map(([step]) => step), ...stages.map((one) => one.step));
    const tick = roundUp(most / 4), last = Math.ceil(most / tick) * tick;
    const inner = CHART.width - CHART.left - CHART.right;
    const x = (step) => CHART.left + (step / last) * inner;
    const parts = [];
    function panel(place, title, top, ticks) {
      const y0 = CHART.top + place * (CHART.panel + CHART.gap);
      const y = (value) => y0 + CHART.panel * (1 - Math.min(value, top) / top);
      parts.push(shape("text", { x: CHART.left - 36, y: y0 - 7, "font-size": 12, fill: "#222" }, title));
      for (const value of ticks) {
        parts.push(shape("line", { x1: CHART.left, x2: CHART.left + inner, y1: y(value), y2: y(value), stroke: "#ddd" }));
        parts.push(shape("text", { x: CHART.left - 6, y: y(value) + 4, "font-size": 11, fill: "#222", "text-anchor": "end" }, String(value)));
      }
      if (now) parts.push(shape("line", { x1: x(now.step), x2: x(now.step), y1: y0, y2: y0 + CHART.panel, stroke: "#333", "stroke-width": 1.5, "stroke-dasharray": "2 3" }));
      return y;
    }
    const high = roundUp(Math.max(1e-6, ...losses.map(([, loss]) => loss)));
    const yLoss = panel(0, "loss", high, [0, high / 2, high]);
    if (losses.length) {
      parts.push(shape("polyline", { points: losses.map(([step, loss]) => `${x(step)},${yLoss(loss)}`).join(" "), fill: "none", stroke: LOSS_COLOR, "stroke-width": 2 }));
    }
    const yAP = panel(1, "held-out pictures: AP50 (solid) and AP (dashed)", 1, [0, 0.5, 1]);
    for (const [name, color, dashes] of FIGURES) {
      parts.push(shape("polyline", {
        points: stages.map((one) => `${x(one.step)},${yAP(one[name])}`).join(" "), fill: "none", stroke: color, "stroke-width": 2, "stroke-dasharray": dashes,
      }));
      for (const one of stages) parts.push(shape("circle", { cx: x(one.step), cy: yAP(one[name]), r: one === now ? 5 : 2.6, fill: color }));
      const end = stages[stages.length - 1];
      // Apart even where both lines end at one height.
      const lower = name === "AP" && end ? Math.max(0, 13 - (yAP(end.AP) - yAP(end.AP50))) : 0;
      if (end) parts.push(shape("text", { x: x(end.step) + 8, y: yAP(end[name]) + 4 + lower, "font-size": 12, fill: color }, `${name} ${end[name].toFixed(2)}`));
    }
    const floor = CHART.top + 2 * CHART.panel + CHART.gap + 16;
    for (let step = 0; step <= last; step += tick) parts.push(shape("text", { x: x(step), y: floor, "font-size": 11, fill: "#222", "text-anchor": "middle" }, String(step)));
    parts.push(shape("text", { x: CHART.left + inner / 2, y: floor + 15, "font-size": 12, fill: "#222", "text-anchor": "middle" }, "step"));
    chart.replaceChildren(...parts);
    const words = losses.length ? `The loss goes from ${losses[0][1].toFixed(2)} to ${losses[losses.length - 1][1].toFixed(2)} in ${losses[losses.length - 1][0]} steps. ` : "No loss recorded yet. ";
    chart.setAttribute("aria-label", words + stages.map((one) => `Step ${one.step}: AP50 ${one.AP50.toFixed(2)}, AP ${one.AP.toFixed(2)}.`).join(" "));
  }

  function drawTable() {
    const losses = model.get("losses");
    const row = (tag, cells) => make("tr", {}, ...cells.map((cell) => make(tag, {}, cell)));
    table.replaceChildren(row("th", ["step", "loss", "held-out AP50", "held-out AP"]), ...model.get("stages").map((one) => {
      const before = losses.filter(([step]) => step <= one.step);
      return row("td", [String(one.step), before.length ? before[before.length - 1][1].toFixed(3) : "–", one.AP50.toFixed(3), one.AP.toFixed(3)]);
    }));
  }

  function draw() {
    const stages = model.get("stages");
    stage = Math.min(stage, Math.max(0, stages.length - 1));
    const now = stages[stage];
    drawPicture(now);
    drawChart(now);
    slider.max = String(Math.max(0, stages.length - 1));
    slider.value = String(stage);
    slider.disabled = button.disabled = stages.length < 2;
    const said = now ? `step ${now.step}` : "no stage yet";
    output.textContent = said;
    slider.setAttribute("aria-valuetext", said);
    text.textContent = now ? now.text : "Nothing recorded yet: run the cell that trains.";
  }

  function stop() {
    clearInterval(timer);
    timer = null;
    button.textContent = "Play";
  }
  function go(to) {
    stage = to;
    draw();
  }
  slider.addEventListener("input", () => { stop(); go(Number(slider.value)); });
  button.addEventListener("click", () => {
    if (timer !== null) { stop(); return; }
    const end = () => model.get("stages").length - 1;
    if (stage >= end()) go(0);
    button.textContent = "Pause";
    timer = setInterval(() => {
      if (stage < end()) go(stage + 1);
      if (stage >= end()) stop();
    }, PACE_MS);
  });

  // New numbers while a training runs: the slider stays with the newest stage unless it was moved away.
  let known = model.get("stages").length;
  function news() {
    watch.heard();
    const count = model.get("stages").length;
    if (timer === null && stage >= known - 1) stage = count - 1;
    known = count;
    draw();
    drawTable();
  }
  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. What is recorded still plays; for more wait, or restart the kernel and run the cells from the top.");
  el.append(box);
  draw();
  drawTable();
  model.on("change:stages", news);
  model.on("change:losses", news);
  return () => {
    stop();
    watch.stop();
    model.off("change:stages", news);
    model.off("change:losses", news);
    URL.revokeObjectURL(address);
  };
}

export default { render };
