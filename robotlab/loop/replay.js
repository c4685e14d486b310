// One replay element: plan view, camera view, a common clock.  The element is
// looked for by its key, because a notebook may run this script before the
// element is on the page.
(function (key) {
  "use strict";
  const NS = "http://www.w3.org/2000/svg";
  // Colors that the color-blind can tell apart (Okabe and Ito, 2008).
  const COLOR = {wait: "#5b616b", follow: "#00795a", hold: "#8a5d00", slow: "#a3497b", search: "#a3497b", stop: "#b34700", fault: "#b34700"};
  const SAYS = {wait: "waiting", follow: "following", hold: "holding the last command", slow: "slowing down", search: "searching",
                stop: "stopped", fault: "fault: stopped"};

  function make(name, attributes, parent) {
    const node = document.createElementNS(NS, name);
    for (const [word, value] of Object.entries(attributes)) node.setAttribute(word, value);
    if (parent) parent.appendChild(node);
    return node;
  }

  function plan(svg, run) {
    const [x0, y0, x1, y1] = run.view;
    svg.setAttribute("viewBox", `${x0} ${-y1} ${x1 - x0} ${y1 - y0}`);
    svg.style.aspectRatio = `${x1 - x0} / ${y1 - y0}`;
    const [rx0, ry0, rx1, ry1] = run.room, half = run.path;
    make("rect", {x: x0, y: -y1, width: x1 - x0, height: y1 - y0, fill: "#c9c4bc"}, svg);
    make("rect", {x: rx0, y: -ry1, width: rx1 - rx0, height: ry1 - ry0, fill: "#e7e1d6", stroke: "#6b665e", "stroke-width": 0.06}, svg);
    make("rect", {x: rx0, y: -half, width: rx1 - rx0, height: 2 * half, fill: "#f4f1ec"}, svg);
    for (let x = Math.ceil(x0); x <= x1; x++) {
      make("line", {x1: x, x2: x, y1: -y1, y2: -y0, stroke: "#00000014", "stroke-width": 0.015}, svg);
      make("text", {x: x + 0.05, y: -y0 - 0.07, "font-size": (x1 - x0) / 42, fill: "#4a4f57"}, svg).textContent = `${x} m`;
    }
    for (const thing of run.things) {
      const at = `translate(${thing.x} ${-thing.y}) rotate(${-thing.turn})`;
      const group = make("g", {transform: at}, svg), edge = {fill: thing.color, stroke: "#00000066", "stroke-width": 0.02};
      if (thing.box) make("rect", {x: -thing.a / 2, y: -thing.b / 2, width: thing.a, height: thing.b, ...edge}, group);
      else make("circle", {r: thing.a, ...edge, "fill-opacity": thing.soft ? 0.5 : 1}, group);
      make("title", {}, group).textContent = thing.name;
    }
    const line = (points, color, dash) => make("polyline", {points, fill: "none", stroke: color, "stroke-width": 0.04,
      "stroke-dasharray": dash, "stroke-linejoin": "round"}, svg);
    line(run.ticks.map((k) => `${k[5]},${-k[6]}`).join(" "), "#d55e00", "0.1 0.1");
    const driven = line("", "#0072b2", "none");
    const trolley = make("g", {}, svg), r = run.radius, reach = 2.6, wide = run.hfov / 2;
    make("path", {d: `M0 0L${reach * Math.cos(wide)} ${-reach * Math.sin(wide)}A${reach} ${reach} 0 0 1 ${reach * Math.cos(wide)} ${reach * Math.sin(wide)}Z`,
      fill: "#56b4e9", "fill-opacity": 0.28, stroke: "#0072b2", "stroke-width": 0.015, "stroke-opacity": 0.6}, trolley);
    make("rect", {x: -r * 0.85, y: -r * 0.66, width: r * 1.7, height: r * 1.32, rx: 0.05, fill: "#0072b2", stroke: "#fff", "stroke-width": 0.02}, trolley);
    for (const side of [-1, 1]) make("rect", {x: -r * 0.35, y: side * r * 0.78 - r * 0.13, width: r * 0.7, height: r * 0.26, fill: "#1b1f24"}, trolley);
    make("circle", {cx: r * 0.5, r: r * 0.17, fill: "#fff"}, trolley);
    const post = make("g", {}, svg);
    make("circle", {r: 0.1, fill: "#d55e00", stroke: "#1b1f24", "stroke-width": 0.025}, post);
    return (k, index) => {
      trolley.setAttribute("transform", `translate(${k[1]} ${-k[2]}) rotate(${(-k[3] * 180) / Math.PI})`);
      post.setAttribute("transform", `translate(${k[5]} ${-k[6]})`);
      driven.setAttribute("points", run.ticks.slice(0, index + 1).map((p) => `${p[1]},${-p[2]}`).join(" "));
    };
  }

  function eye(canvas, run) {
    // Twice the pixels, so that the boxes have fine edges.
    const [w, h] = run.size, z = Math.max(1, Math.round(640 / w)), pen = canvas.getContext("2d");
    canvas.width = w * z;
    canvas.height = h * z;
    const images = run.pictures.map((data) => {
      const image = new Image();
      image.src = "data:image/jpeg;base64," + data;
      return image;
    });
    let shown = null;
    const box = (b, color, dash, width) => {
      const at = [b[0] * z, b[1] * z, (b[2] - b[0]) * z, (b[3] - b[1]) * z];
      pen.setLineDash(dash);
      pen.lineWidth = width + 2;
      pen.strokeStyle = "#000000b0";
      pen.strokeRect(...at);
      pen.lineWidth = width;
      pen.strokeStyle = color;
      pen.strokeRect(...at);
    };
    const draw = (frame) => {
      shown = frame;
      pen.fillStyle = "#dfe3e8";
      pen.fillRect(0, 0, canvas.width, canvas.height);
      if (!frame) return;
      const image = images[frame.picture];
      if (image && image.complete && image.naturalWidth) {
        // A squeezed picture shows its pixels.
        pen.imageSmoothingEnabled = image.naturalWidth >= w;
        pen.drawImage(image, 0, 0, canvas.width, canvas.height);
      } else if (image) {
        image.onload = () => shown === frame && draw(frame);
      }
      if (frame.truth) box(frame.truth, "#56b4e9", [6, 5], 2);
      for (const other of frame.others) box(other, "#cc79a7", [2, 3], 2);
      if (frame.box) box(frame.box, "#f0e442", [], 3);
      pen.setLineDash([]);
    };
    return draw;
  }

  function chart(svg, run, end, most) {
    // As wide as it is on the page, so that its letters keep their size.
    const w = Math.min(1200, Math.max(320, svg.clientWidth || 700)), h = 96, left = 34, top = most * 1.08;
    svg.setAttribute("viewBox", `0 0 ${w} ${h}`);
    const px = (t) => left + ((w - left - 4) * t) / (end || 1), py = (d) => h - 14 - ((h - 20) * d) / top;
    make("rect", {x: left, y: 6, width: w - left - 4, height: h - 20, fill: "#f6f7f9"}, svg);
    let from = 0;
    run.ticks.forEach((k, i) => {
      const last = i === run.ticks.length - 1;
      if (!last && run.ticks[i + 1][4] === k[4]) return;
      const to = last ? k[0] : run.ticks[i + 1][0];
      make("rect", {x: px(from), y: h - 12, width: Math.max(0.5, px(to) - px(from)), height: 8, fill: COLOR[run.states[k[4]]]}, svg);
      from = to;
    });
    make("line", {x1: left, x2: w - 4, y1: py(run.keep), y2: py(run.keep), stroke: "#4a4f57", "stroke-dasharray": "4 4"}, svg);
    // A gap where a real robot did not see it.
    const way = run.ticks.map((k, i) => k[7] === null ? "" : `${i && run.ticks[i - 1][7] !== null ? "L" : "M"}${px(k[0]).toFixed(1)} ${py(k[7]).toFixed(1)}`).join("");
    make("path", {d: way, fill: "none", stroke: "#0072b2", "stroke-width": 2}, svg);
    for (const d of [0, Math.round(top / 2), Math.floor(top)]) {
      make("text", {x: left - 4, y: py(d) + 4, "font-size": 12, "text-anchor": "end", fill: "#4a4f57"}, svg).textContent = `${d} m`;
    }
    const cursor = make("line", {y1: 4, y2: h - 2, stroke: "#1b1f24", "stroke-width": 1.5}, svg);
    return (t) => {
      cursor.setAttribute("x1", px(t));
      cursor.setAttribute("x2", px(t));
    };
  }

  function last(list, t, time) {
    let low = 0, high = list.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (time(list[middle]) <= t + 1e-6) low = middle;
      else high = middle - 1;
    }
    return low;
  }

  function start(root) {
    root.dataset.ready = "yes";
    const data = JSON.parse(root.querySelector("script.data").textContent);
    const slider = root.querySelector("input"), button = root.querySelector("button"), clock = root.querySelector(".clock");
    const speed = root.querySelector("select"), end = data.end;
    // One scale for all charts.
    const most = Math.max(2, ...data.runs.flatMap((run) => run.ticks.map((k) => k[7] ?? 0)));
    const panes = [...root.querySelectorAll(".run")].map((node, i) => {
      const run = data.runs[i];
      return {run, now: node.querySelector(".now"), plan: run.real ? () => {} : plan(node.querySelector(".plan svg"), run),
              eye: eye(node.querySelector("canvas"), run), chart: chart(node.querySelector(".chart"), run, end, most)};
    });
    let t = 0, playing = false, before = 0;

    function show(at) {
      t = Math.min(Math.max(at, 0), end);
      slider.value = t;
      clock.textContent = `${t.toFixed(1)} of ${end.toFixed(1)} s`;
      slider.setAttribute("aria-valuetext", `${t.toFixed(1)} seconds`);
      for (const pane of panes) {
        const run = pane.run, index = last(run.ticks, t, (k) => k[0]), k = run.ticks[index], state = run.states[k[4]];
        pane.plan(k, index);
        pane.chart(t);
        pane.eye(run.frames.length ? run.frames[last(run.frames, t, (frame) => frame.t)] : null);
        const side = Math.abs(k[8]) < 0.5 ? "straight ahead" : `${Math.abs(k[8]).toFixed(0)}° to the ${k[8] > 0 ? "left" : "right"}`;
        const where = k[7] === null ? "target not seen" : `${run.real ? "target" : "post"} ${k[7].toFixed(2)} m away, ${side}`;
        pane.now.innerHTML = `<b style="background:${COLOR[state]}">${SAYS[state]}</b> ${where}; ${run.real ? "commanded speed" : "speed"} ${k[9].toFixed(2)} m/s`;
      }
    }
    function play(on) {
      playing = on;
      button.textContent = on ? "Pause" : "Play";
      if (!on) return;
      if (t >= end) show(0);
      before = performance.now();
      requestAnimationFrame(step);
    }
    function step(now) {
      if (!playing || !root.isConnected) return;
      show(t + ((now - before) / 1000) * Number(speed.value));
      before = now;
      if (t >= end) play(false);
      else requestAnimationFrame(step);
    }
    button.addEventListener("click", () => play(!playing));
    slider.addEventListener("input", () => { play(false); show(Number(slider.value)); });
    root.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || event.target === speed) return;
      const to = {ArrowLeft: t - 0.2, ArrowRight: t + 0.2, ArrowDown: t - 0.2, ArrowUp: t + 0.2, PageDown: t - 2, PageUp: t + 2, Home: 0, End: end}[event.key];
      if (to !== undefined) { play(false); show(to); }
      else if (event.key !== " " ) return;
      else if (event.target !== button) play(!playing);
      else return;
      event.preventDefault();
      event.stopPropagation();
    });
    // A notebook would take the keys for its own; saving must go on working.
    window.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey) delete root.dataset.lmSuppressShortcuts;
      else root.dataset.lmSuppressShortcuts = "true";
    }, true);
    show(0);
  }

  let tries = 0;
  (function look() {
    const found = document.querySelectorAll(`.robotlab-replay[data-key="${key}"]:not([data-ready])`);
    found.forEach(start);
    // A notebook puts the element on the page within a few frames; wait 10 s.
    if (!found.length && ++tries < 200) setTimeout(look, 50);
  })();
})
