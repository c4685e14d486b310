// The boxes are drawn here, so that they follow the pointer at once. Every
// change goes to the kernel, and is kept in the browser's own store until the
// kernel says that it is on the disk: it then outlives a closed tab and a
// kernel that was killed.

const SVG = "http://www.w3.org/2000/svg";
// A corner is taken within this many px of the page; a finger is broader than a pointer.
const NEAR_PX = { mouse: 10, pen: 12, touch: 22 };
// A pointer that moves less has clicked, not dragged.
const CLICK_PX = 4;
// Pictures kept ready, those ahead included.
const KEPT = 5;
// Between two questions while a fit runs or changes wait, in milliseconds.
const ASK_MS = 2000;
const ON_ITS_WAY = "This picture is still being loaded: nothing was changed.";
const CHOOSING = "The next picture is being chosen.";
const KEYS = [
  ["accept", "Enter", "accept and go on"], ["settle", "Shift+Enter", "done, without suggestions"],
  ["next", "n", "next"], ["back", "b", "back"],
  ["select", "Space", "select the next box"], ["insert", "i", "insert a box"], ["remove", "x", "delete"],
  ["unsure", "q", "not sure"], ["hidden", "h", "partly hidden"],
  ["copy", "c", "boxes of the picture before"], ["undo", "u", "undo"], ["redo", "r", "redo"],
  ["closer", "+", "zoom in"], ["wider", "-", "zoom out"], ["whole", "0", "whole picture"],
];

function shape(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}
const tenth = (value) => Math.round(value * 10) / 10;
const sides = ([x0, y0, x1, y1]) => `${Math.round(x1 - x0)} × ${Math.round(y1 - y0)} px`;

// Changes that the kernel has not confirmed, by picture: what it was, step by step, and what it shall be. Each page has a
// place of its own in the browser's store; what a page that is gone has left there, the next one takes over.
function pendingStore(key, page, known, inherited) {
  const prefix = `robotlab-labels-${key}`, mine = `${prefix}-${page}`;
  const kept = new Map();
  const put = (name, changes) => {
    try {
      if (changes.length) localStorage.setItem(name, JSON.stringify(changes));
      else localStorage.removeItem(name);
    } catch { /* full or forbidden: the change is in this page alone */ }
  };
  const write = () => put(mine, [...kept]);
  function inherit(name) {
    let left = [];
    try { left = JSON.parse(localStorage.getItem(name) || "[]"); } catch { /* no store, or a damaged one */ }
    for (const [id, one] of left) if (known(id) && !kept.has(id)) kept.set(id, one);
    write();
    put(name, left.filter(([id, one]) => kept.get(id) !== one));
    inherited();
  }
  // A page holds a lock as long as it lives. Where the browser has none (no https), all pages count as gone.
  let leave = () => {};
  const locks = navigator.locks;
  if (locks) locks.request(mine, () => new Promise((done) => { leave = done; })).catch(() => {});
  let others = [];
  try { others = Object.keys(localStorage).filter((name) => name.startsWith(prefix) && name !== mine); } catch { /* no store */ }
  const gone = new AbortController();
  for (const name of others) {
    if (locks) locks.request(name, { signal: gone.signal }, () => inherit(name)).catch(() => {});
    else setTimeout(() => inherit(name));
  }
  return {
    get size() { return kept.size; },
    all: () => [...kept.entries()],
    get: (id) => kept.get(id),
    add(id, from, to, number) {
      const before = kept.get(id);
      kept.set(id, { from: [...(before ? before.from : []), from].slice(-50), to, number, page });
      write();
      return kept.get(id);
    },
    drop(id, number) {
      const one = kept.get(id);
      if (!one || (number !== undefined && one.number !== number)) return false;
      kept.delete(id);
      write();
      return true;
    },
    close() { gone.abort(); leave(); },
  };
}

function render({ model, el }) {
  const pictures = new Map(model.get("pictures").map(([id, name, wide, tall, recording, labeled]) => [id, { id, name, wide, tall, recording, labeled }]));
  const order = [...pictures.keys()];
  // Two pages may show one labeler: each hears all answers, and knows its own by its name.
  const page = Math.random().toString(36).slice(2);
  const pending = pendingStore(model.get("key"), page, (id) => pictures.has(id), () => {
    sendPending();
    if (origin && pending.get(now.id)) take(pending.get(now.id).to);
    draw();
  });
  // Numbers of this page: a confirmation belongs to the change of its number.
  let number = Date.now() * 1000, undone = 0;
  const ready = new Map();
  // What is on the stage, and the labels that it was made from.
  let now = null, boxes = [], labeled = false, origin = null, suggestions = [], chosen = null, touched = false, reason = "";
  let view = null, ahead = null, trail = [], passed = new Set(), before = null, kind = null, told = "", told_bad = false;
  // The number of the question which picture comes next, while it has no answer; whether to go there when it has one.
  let asked = null, goesOn = false, broken = false;
  // A box drawn before there was any class.
  let unnamed = null;

  // What is on the page

  const stage = shape("svg", { class: "robotlab-labeler-stage", tabindex: "0", role: "application", style: "display: block; touch-action: none; user-select: none; cursor: crosshair; background: #333;" });
  const picture = shape("image", { x: 0, y: 0, preserveAspectRatio: "none" });
  const layer = shape("g", {});
  const rubber = shape("rect", { fill: "none", stroke: "#fff", "stroke-dasharray": "4 3", "stroke-width": 1.5, "vector-effect": "non-scaling-stroke" });
  stage.append(picture, layer);
  const line = make("p", { class: "robotlab-text robotlab-labeler-line", "aria-live": "polite" });
  const saved = make("p", { class: "robotlab-text robotlab-labeler-saved", role: "status" });
  const shelf = make("div", { class: "robotlab-row robotlab-labeler-classes", role: "group", "aria-label": "Classes" });
  const bench = make("div", { class: "robotlab-row robotlab-labeler-bench", role: "group", "aria-label": "Actions" });
  const ribbon = shape("svg", { class: "robotlab-labeler-ribbon", viewBox: `0 0 ${order.length} 1`, preserveAspectRatio: "none", "aria-hidden": "true" });
  const jump = make("input", { type: "range", min: 1, max: order.length, step: 1, "aria-label": "Picture", class: "robotlab-labeler-jump" });
  const name = make("input", { type: "text", maxlength: 60, size: 12, "aria-label": "Class name", placeholder: "class name" });
  const add = make("button", { type: "button" }, "add class");
  const rename = make("button", { type: "button" }, "rename class");
  const naming = make("div", { class: "robotlab-row" }, name, add, rename);
  const help = make("details", {}, make("summary", {}, "Pointer and keys"), make("p", { class: "robotlab-text" },
    "Pointer: drag to draw a box; drag a box to move it, its corner to change it; Alt and drag draws inside another box. Click a thing to outline it by its color. " +
    "Two fingers, or Shift and drag, move the picture; Ctrl and the wheel zoom."), make("p", { class: "robotlab-text" },
    "Keys, with the picture in focus: arrows move the selected box by 1 px, Shift and arrows its lower right corner, Ctrl and arrows by 10 px; without a box they move the picture. Digits choose the class. " +
    KEYS.map(([, key, words]) => `${key}: ${words}`).join("; ") + "."));
  const box = make("div", { class: "robotlab-widget robotlab-labeler" }, stage, ribbon, jump, line, saved, shelf, bench, naming, help);
  const buttons = {};
  for (const [action, key, words] of KEYS) {
    const button = make("button", { type: "button", "data-action": action, "aria-keyshortcuts": key }, `${words} `, make("kbd", {}, key));
    button.addEventListener("click", () => { act(action); stage.focus({ preventScroll: true }); });
    buttons[action] = button;
    bench.append(button);
  }

  order.forEach((id, index) => {
    pictures.get(id).tick = shape("rect", { x: index, width: order.length > 300 ? 1 : 0.8 });
    ribbon.append(pictures.get(id).tick);
  });

  const readOnly = () => Boolean(model.get("status").read_only);
  const classes = () => model.get("status").classes;
  const place = (id) => classes().findIndex(([one]) => one === id);
  const color = (id) => model.get("colors")[Math.max(0, place(id)) % model.get("colors").length];
  const nameOf = (id) => (classes()[place(id)] || [null, "?"])[1];
  const all = () => [...boxes.map((one) => ({ one, own: true })), ...suggestions.map((one) => ({ one, own: false }))];
  const labels = () => ({ boxes: boxes.map((one) => ({ ...one, box: [...one.box] })), labeled });
  const say = (message) => { watch.expect(); model.send({ page, ...message }); };

  function tell(words, bad = false) { told = words; told_bad = bad; draw(); }

  // Pixels of the picture for one px of the page.
  const unit = () => (view ? view.wide / Math.max(1, stage.getBoundingClientRect().width) : 1);

  function draw() {
    const { classes: shown, labeled: done, pictures: count, read_only, fitting, learned_from, trouble } = model.get("status");
    if (now && view) {
      stage.setAttribute("viewBox", `${view.x} ${view.y} ${view.wide} ${view.wide * now.tall / now.wide}`);
      const u = unit();
      const parts = [];
      all().forEach(({ one, own }, index) => {
        const [x0, y0, x1, y1] = one.box;
        const rect = { x: x0, y: y0, width: x1 - x0, height: y1 - y0, fill: "none", "vector-effect": "non-scaling-stroke" };
        const picked = index === chosen;
        const dashes = own ? (one.not_sure ? "2 4" : "none") : "7 5";
        parts.push(shape("rect", { ...rect, stroke: "#fff", "stroke-width": picked ? 5 : 3.5, "stroke-opacity": 0.85 }));
        parts.push(shape("rect", { ...rect, stroke: color(one.category_id), "stroke-width": picked ? 3 : 2, "stroke-dasharray": dashes, ...(picked ? { fill: color(one.category_id), "fill-opacity": 0.12 } : {}), class: own ? "own" : "suggested" }));
        if (own && one.hidden) parts.push(shape("path", { d: `M${x0} ${y1}L${x1} ${y0}`, stroke: color(one.category_id), "stroke-width": 1.5, "vector-effect": "non-scaling-stroke" }));
        const words = nameOf(one.category_id) + (own ? (one.not_sure ? ", not sure" : "") + (one.hidden ? ", hidden" : "") : ` ${one.score.toFixed(2)}?`);
        // Words that would end beyond the right edge end at the box's.
        const end = x0 + 9 * u * words.length > view.x + view.wide;
        parts.push(shape("text", { x: end ? Math.min(x1, view.x + view.wide - 2 * u) : x0, "text-anchor": end ? "end" : "start", y: y0 - 4 * u < view.y + 10 * u ? y1 + 13 * u : y0 - 4 * u, "font-size": 12 * u, "font-weight": 700, fill: color(one.category_id), stroke: "#fff", "stroke-width": 3 * u, "paint-order": "stroke", "font-family": "sans-serif" }, words));
        if (picked && !readOnly()) for (const [x, y] of [[x0, y0], [x1, y0], [x0, y1], [x1, y1]]) {
          parts.push(shape("rect", { x: x - 4.5 * u, y: y - 4.5 * u, width: 9 * u, height: 9 * u, fill: "#fff", stroke: color(one.category_id), "stroke-width": 2, "vector-effect": "non-scaling-stroke" }));
        }
      });
      layer.replaceChildren(...parts);
      const at = order.indexOf(now.id) + 1;
      const list = all().map(({ one, own }) => `${own ? "" : "suggested "}${nameOf(one.category_id)}${one.not_sure ? ", not sure" : ""}${one.hidden ? ", hidden" : ""} at ${one.box.map(Math.round).join(", ")}`);
      stage.setAttribute("aria-label", `${model.get("alt")} Picture ${now.name}, ${now.wide} × ${now.tall} px. ${list.length ? list.join("; ") : "No boxes"}.`);
      const picked = all()[chosen];
      line.textContent = `${now.name}, ${at} of ${order.length}${labeled ? ", labeled" : ", to be labeled"}: ${boxes.length} ${boxes.length === 1 ? "box" : "boxes"}, ${suggestions.length} suggested.` +
        (picked ? ` Selected: ${nameOf(picked.one.category_id)}, ${sides(picked.one.box)}.` : "") + (reason ? ` Why this picture: ${reason}.` : "");
      jump.value = String(at);
      jump.setAttribute("aria-valuetext", `${now.name}, ${at} of ${order.length}`);
    }
    const learning = fitting ? " A detector is being fitted." : learned_from ? ` Suggestions: a detector fitted on ${learned_from} pictures.` : "";
    const waiting = pending.size ? `${pending.size} ${pending.size === 1 ? "picture waits" : "pictures wait"} to be saved.` : "All saved.";
    saved.textContent = read_only ? `Read-only: ${read_only}.${pending.size ? " " + waiting : ""}` : `${told && told + (/[.?]$/.test(told) ? " " : ". ")}${waiting} ${done} of ${count} labeled.${learning}${trouble ? ` No detector yet: ${trouble}` : ""}`;
    saved.classList.toggle("failed", Boolean(read_only || told_bad));
    for (const id of order) {
      const one = pictures.get(id), look = now && id === now.id ? "#d55e00" : one.labeled ? "#0072b2" : "#999";
      if (one.look === look + one.labeled) continue;
      one.look = look + one.labeled;
      for (const [key, value] of Object.entries({ fill: look, y: one.labeled ? 0 : 0.6, height: one.labeled ? 1 : 0.4 })) one.tick.setAttribute(key, value);
    }
    if (shelf.dataset.shown !== JSON.stringify([shown, kind])) {
      shelf.dataset.shown = JSON.stringify([shown, kind]);
      const chips = shown.map(([id, title, boxCount], index) => {
        const chip = make("button", { type: "button", "aria-pressed": String(id === kind), "data-class": String(id), style: `border-left: 10px solid ${color(id)}` }, `${title}: ${boxCount} `, make("kbd", {}, String(index + 1)));
        chip.addEventListener("click", () => { setClass(id); stage.focus({ preventScroll: true }); });
        return chip;
      });
      shelf.replaceChildren(make("span", {}, "Class:"), ...chips);
    }
    for (const control of [...bench.children, add, rename]) {
      control.disabled = readOnly() && !["next", "back", "select", "closer", "wider", "whole"].includes(control.dataset.action);
    }
  }

  // Pictures in and ahead

  function fetch(id, why = "") {
    if (id === null || id === undefined || ready.has(id)) return;
    ready.set(id, { asked: true, reason: why });
    while (ready.size > KEPT) {
      const old = [...ready.keys()].find((one) => one !== id && !(now && one === now.id));
      if (ready.get(old).address) URL.revokeObjectURL(ready.get(old).address);
      ready.delete(old);
    }
    say({ say: "picture", id, reason: why });
  }
  function go(id, why = "") {
    letGo();
    unnamed = null;
    asked = null;
    goesOn = broken = false;
    if (told === CHOOSING) told = "";
    if (now) { before = labels(); trail.push(now.id); if (!labeled) passed.add(now.id); }
    now = pictures.get(id);
    reason = why;
    boxes = []; origin = null; suggestions = []; chosen = null; touched = false; labeled = now.labeled; ahead = null;
    view = { x: 0, y: 0, wide: now.wide };
    stage.style.aspectRatio = `${now.wide} / ${now.tall}`;
    stage.style.width = `min(100%, calc(56vh * ${now.wide / now.tall}))`;
    picture.setAttribute("width", now.wide);
    picture.setAttribute("height", now.tall);
    picture.style.imageRendering = now.wide < 640 ? "pixelated" : "auto";
    picture.removeAttribute("href");
    const kept = ready.get(id);
    if (kept && kept.address) arrived(id); else { if (kept) ready.delete(id); fetch(id, why); }
    draw();
  }
  function take(state) {
    const picked = chosen === null ? null : (all()[chosen] || {}).one;
    origin = state;
    boxes = state.boxes.map((one) => ({ ...one, box: [...one.box] }));
    labeled = state.labeled;
    pictures.get(now.id).labeled = labeled;
    if (!picked) chosen = null;
    else if (!suggestions.includes(picked)) {
      let index = boxes.findIndex((one) => one.id !== null && one.id === picked.id);
      if (index < 0) index = boxes.findIndex((one) => String(one.box) === String(picked.box) && one.category_id === picked.category_id);
      chosen = index < 0 ? null : index;
    } else chosen = boxes.length + suggestions.indexOf(picked);
  }
  // The kernel's labels of a picture. What is changed here and not yet confirmed stays on the stage: the kernel merges it.
  function heardOf(id, state, ours) {
    const kept = ready.get(id);
    if (kept) kept.labels = state;
    if (!pending.get(id)) {
      pictures.get(id).labeled = state.labeled;
      if (now.id === id && origin && !(grip && grip.owned)) take(state);
    }
    if (ours) return;
    if (now.id === id) { suggestions = []; touched = true; tell("This picture was changed in another window."); }
    else if (ahead && ahead.id === id) askNext();
  }
  function askNext() {
    asked = ++number;
    say({ say: "next", number: asked, shown: now.id, passed: [...passed, now.id] });
  }
  function arrived(id) {
    const kept = ready.get(id), waits = pending.get(id);
    picture.setAttribute("href", kept.address);
    take(waits ? waits.to : kept.labels);
    if (told === ON_ITS_WAY) told = "";
    stage.dataset.shown = String(id);
    if (!labeled) say({ say: "suggest", id });
    askNext();
    draw();
  }

  // Changes

  function changed() {
    touched = true;
    if (!origin) return;
    if (readOnly()) { take(origin); return; }
    const id = now.id;
    // The state that this change follows, and the last undo that was sent before: once that is done, older states are void.
    const one = pending.add(id, { ...origin, undo: undone }, labels(), ++number);
    origin = one.to;
    pictures.get(id).labeled = labeled;
    tell("");
    send(id, one);
  }
  function send(id, { number, page: made_on, from, to }) { say({ say: "labels", made_on, number, id, from, to }); }
  function sendPending() { for (const [id, one] of pending.all()) send(id, one); }
  // A suggestion that is touched becomes a box.
  function own(index) {
    if (index < boxes.length) return index;
    const [one] = suggestions.splice(index - boxes.length, 1);
    boxes.push({ box: [...one.box], category_id: one.category_id, not_sure: false, hidden: false, id: null });
    return boxes.length - 1;
  }
  function setClass(id) {
    kind = id;
    if (chosen !== null && !readOnly()) {
      chosen = own(chosen);
      boxes[chosen].category_id = id;
      changed();
    }
    draw();
  }
  function keep([x0, y0, x1, y1]) {
    const [a, c] = [Math.min(x0, x1), Math.max(x0, x1)], [b, d] = [Math.min(y0, y1), Math.max(y0, y1)];
    return [Math.max(0, a), Math.max(0, b), Math.min(now.wide, c), Math.min(now.tall, d)].map(tenth);
  }
  function shift(one, dx, dy) {
    const [x0, y0, x1, y1] = one;
    const mx = Math.min(Math.max(dx, -x0), now.wide - x1), my = Math.min(Math.max(dy, -y0), now.tall - y1);
    return [x0 + mx, y0 + my, x1 + mx, y1 + my].map(tenth);
  }

  const actions = {
    accept() {
      while (suggestions.length) own(boxes.length);
      actions.settle();
    },
    settle() {
      suggestions = [];
      labeled = true;
      chosen = null;
      changed();
      actions.next();
    },
    next() {
      if (ahead) { go(ahead.id, ahead.reason); return; }
      if (asked !== null || !(origin || broken)) { goesOn = true; tell(CHOOSING); return; }
      // Nothing left to label: on in the order of the file.
      go(order[(order.indexOf(now.id) + 1) % order.length]);
    },
    back() {
      const id = trail.pop();
      if (id === undefined) { tell("This is the first picture of this session."); return; }
      passed.delete(id);
      go(id);
      trail.pop();
    },
    select(backward) {
      const count = all().length;
      if (!count) return;
      chosen = chosen === null ? (backward ? count - 1 : 0) : (chosen + (backward ? count - 1 : 1)) % count;
      draw();
    },
    insert() {
      const tall = view.wide * now.tall / now.wide, side = Math.min(view.wide, tall) / 6;
      const [x, y] = [view.x + view.wide / 2, view.y + tall / 2];
      put([x - side, y - side, x + side, y + side]);
    },
    remove() {
      if (chosen === null) return;
      if (chosen < boxes.length) { boxes.splice(chosen, 1); chosen = null; changed(); }
      else { suggestions.splice(chosen - boxes.length, 1); chosen = null; touched = true; }
    },
    unsure() { mark("not_sure"); },
    hidden() { mark("hidden"); },
    copy() {
      const last = before || (ready.get(order[order.indexOf(now.id) - 1]) || {}).labels;
      if (!last || !last.boxes.length) { tell("The picture before has no boxes."); return; }
      boxes.push(...last.boxes.map((one) => ({ ...one, box: keep(one.box), id: null })).filter(({ box: [x0, y0, x1, y1] }) => x1 > x0 && y1 > y0));
      changed();
    },
    undo() { undone = ++number; say({ say: "undo", number }); },
    redo() { undone = ++number; say({ say: "redo", number }); },
    closer() { zoom(1 / 1.4); },
    wider() { zoom(1.4); },
    whole() { view = { x: 0, y: 0, wide: now.wide }; },
  };
  const NEEDS_PICTURE = new Set(["accept", "settle", "insert", "copy"]);
  const CHANGING = new Set(["accept", "settle", "insert", "remove", "unsure", "hidden", "copy", "undo", "redo"]);
  function act(action, extra) {
    if (!now || (readOnly() && CHANGING.has(action))) return;
    if (!origin && NEEDS_PICTURE.has(action)) { tell(ON_ITS_WAY); return; }
    if (!["insert", "undo", "redo"].includes(action)) tell("");
    actions[action](extra);
    draw();
  }
  function put(corners) {
    if (!origin) { tell(ON_ITS_WAY); return; }
    const one = keep(corners);
    if (one[2] - one[0] < 1 || one[3] - one[1] < 1) return;
    if (kind === null) { unnamed = one; tell("What is in this box? Write its class below, and press Enter."); name.focus(); return; }
    boxes.push({ box: one, category_id: kind, not_sure: false, hidden: false, id: null });
    chosen = boxes.length - 1;
    changed();
  }
  function mark(what) {
    if (chosen === null) { tell("Select a box first: Space, or click it."); return; }
    chosen = own(chosen);
    boxes[chosen][what] = !boxes[chosen][what];
    changed();
  }
  function zoom(factor, x = view.x + view.wide / 2, y = view.y + view.wide * now.tall / now.wide / 2) {
    const wide = Math.min(now.wide, Math.max(now.wide / 40, view.wide * factor));
    const part = wide / view.wide;
    view = { x: x - (x - view.x) * part, y: y - (y - view.y) * part, wide };
    pan(0, 0);
  }
  function pan(dx, dy) {
    view.x = Math.min(Math.max(0, view.x + dx), now.wide - view.wide);
    view.y = Math.min(Math.max(0, view.y + dy), now.tall - view.wide * now.tall / now.wide);
  }

  // Pointer

  const fingers = new Map();
  let grip = null;
  function where(event) {
    const at = stage.getBoundingClientRect(), u = unit();
    return { x: view.x + (event.clientX - at.left) * u, y: view.y + (event.clientY - at.top) * u, u };
  }
  const corners = ([x0, y0, x1, y1]) => [[x0, y0], [x1, y0], [x0, y1], [x1, y1]];
  function grab(x, y, near, alt) {
    if (chosen !== null && all()[chosen]) {
      const corner = corners(all()[chosen].one.box).findIndex(([cx, cy]) => Math.hypot(cx - x, cy - y) <= near);
      if (corner >= 0) return { index: chosen, corner };
    }
    if (alt) return { draw: true };
    const under = all().map(({ one }, index) => ({ box: one.box, index }))
      .filter(({ box: [x0, y0, x1, y1] }) => x0 - near / 3 <= x && x <= x1 + near / 3 && y0 - near / 3 <= y && y <= y1 + near / 3)
      .sort((p, q) => (p.box[2] - p.box[0]) * (p.box[3] - p.box[1]) - (q.box[2] - q.box[0]) * (q.box[3] - q.box[1]));
    return under.length ? { index: under[0].index } : { draw: true };
  }
  stage.addEventListener("pointerdown", (event) => {
    if (!now || !view) return;
    stage.focus({ preventScroll: true });
    event.preventDefault();
    fingers.set(event.pointerId, event);
    stage.setPointerCapture(event.pointerId);
    if (fingers.size === 2) { grip = { pinch: [...fingers.values()].map((one) => [one.clientX, one.clientY]) }; rubber.remove(); draw(); return; }
    const { x, y, u } = where(event);
    if (event.button === 1 || event.shiftKey) { grip = { pan: true, x: event.clientX, y: event.clientY }; return; }
    if (event.button) return;
    grip = { ...grab(x, y, (NEAR_PX[event.pointerType] || 10) * u, event.altKey), x, y, start: [event.clientX, event.clientY], moved: false };
    if (readOnly()) grip.draw = false;
    if (grip.index !== undefined) { chosen = grip.index; grip.from = [...all()[chosen].one.box]; kind = all()[chosen].one.category_id; }
    draw();
  });
  stage.addEventListener("pointermove", (event) => {
    if (!grip || !fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, event);
    if (grip.pinch) {
      const [a, b] = grip.pinch, [p, q] = [...fingers.values()].map((one) => [one.clientX, one.clientY]);
      if (!q) return;
      const u = unit(), apart = (m, n) => Math.max(1, Math.hypot(m[0] - n[0], m[1] - n[1]));
      pan(-((p[0] + q[0]) - (a[0] + b[0])) / 2 * u, -((p[1] + q[1]) - (a[1] + b[1])) / 2 * u);
      const middle = where({ clientX: (p[0] + q[0]) / 2, clientY: (p[1] + q[1]) / 2 });
      zoom(apart(a, b) / apart(p, q), middle.x, middle.y);
      grip.pinch = [p, q];
      draw();
      return;
    }
    if (grip.pan) {
      const u = unit();
      pan(-(event.clientX - grip.x) * u, -(event.clientY - grip.y) * u);
      grip.x = event.clientX; grip.y = event.clientY;
      draw();
      return;
    }
    if (Math.hypot(event.clientX - grip.start[0], event.clientY - grip.start[1]) < CLICK_PX && !grip.moved) return;
    grip.moved = true;
    const { x, y } = where(event);
    if (grip.draw) {
      const [x0, y0, x1, y1] = keep([grip.x, grip.y, x, y]);
      for (const [key, value] of Object.entries({ x: x0, y: y0, width: Math.max(0, x1 - x0), height: Math.max(0, y1 - y0) })) rubber.setAttribute(key, value);
      if (!rubber.parentNode) stage.append(rubber);
      return;
    }
    if (readOnly() || grip.index === undefined) return;
    if (!grip.owned) { grip.index = chosen = own(grip.index); grip.owned = true; }
    const [x0, y0, x1, y1] = grip.from;
    if (grip.corner === undefined) boxes[chosen].box = shift(grip.from, x - grip.x, y - grip.y);
    else {
      const fixed = corners([x1, y1, x0, y0])[grip.corner];
      const one = keep([fixed[0], fixed[1], x, y]);
      if (one[2] - one[0] >= 1 && one[3] - one[1] >= 1) boxes[chosen].box = one;
    }
    draw();
  });
  // Ends a drag where it is: the picture changes under it.
  function letGo() {
    const done = grip;
    grip = null;
    rubber.remove();
    if (done && done.owned) changed();
  }
  function release(event) {
    if (!fingers.delete(event.pointerId) || !grip) return;
    const done = grip;
    if (done.pinch) { if (!fingers.size) grip = null; return; }
    grip = null;
    rubber.remove();
    if (event.type === "pointercancel") { if (done.owned) changed(); return; }
    if (done.draw && done.moved) {
      const { x, y } = where(event);
      put([done.x, done.y, x, y]);
    } else if (done.draw) {
      chosen = null;
      if (origin) say({ say: "click", id: now.id, x: done.x, y: done.y });
    } else if (done.owned) changed();
    draw();
  }
  stage.addEventListener("pointerup", release);
  stage.addEventListener("pointercancel", release);
  stage.addEventListener("wheel", (event) => {
    if (!event.ctrlKey || !view) return;
    event.preventDefault();
    const { x, y } = where(event);
    zoom(event.deltaY > 0 ? 1.2 : 1 / 1.2, x, y);
    draw();
  }, { passive: false });

  // Keys

  const STEPS = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
  const BY_KEY = { n: "next", b: "back", i: "insert", x: "remove", Delete: "remove", Backspace: "remove", q: "unsure", h: "hidden", c: "copy", u: "undo", r: "redo", "+": "closer", "=": "closer", "-": "wider", 0: "whole" };
  stage.addEventListener("keydown", (event) => {
    if (!now || event.altKey || event.metaKey) return;
    const step = STEPS[event.key];
    if (event.ctrlKey && !step) {
      if (event.key === "z" || event.key === "y") { act(event.key === "z" ? "undo" : "redo"); event.preventDefault(); event.stopPropagation(); }
      return;
    }
    if (step) {
      const [dx, dy] = step.map((one) => one * (event.ctrlKey ? 10 : 1));
      if (chosen === null || readOnly()) pan(dx * view.wide / 12, dy * view.wide / 12);
      else {
        chosen = own(chosen);
        const one = boxes[chosen].box;
        boxes[chosen].box = event.shiftKey ? keep([one[0], one[1], Math.max(one[0] + 1, one[2] + dx), Math.max(one[1] + 1, one[3] + dy)]) : shift(one, dx, dy);
        changed();
      }
    } else if (event.key === "Enter") act(event.shiftKey ? "settle" : "accept");
    else if (event.key === " ") act("select", event.shiftKey);
    else if (event.key === "Escape") { chosen = null; draw(); return; }
    else if (BY_KEY[event.key]) act(BY_KEY[event.key]);
    else if (/^[1-9]$/.test(event.key)) {
      const one = classes()[event.key - 1];
      if (one) setClass(one[0]); else tell(`There is no class ${event.key}.`);
    } else return;
    draw();
    event.preventDefault();
    event.stopPropagation();
  });
  keepKeys(box);
  jump.addEventListener("change", () => go(order[jump.value - 1]));
  add.addEventListener("click", () => { if (name.value.trim()) say({ say: "add_class", number: ++number, name: name.value }); });
  name.addEventListener("keydown", (event) => { if (event.key === "Enter") add.click(); });
  rename.addEventListener("click", () => { if (name.value.trim()) say({ say: "rename_class", number: ++number, class: kind ?? (classes()[0] || [0])[0], name: name.value }); });

  // The kernel's answers

  function heard(message, buffers) {
    if (!message || !message.say) return;
    const { id } = message, ours = message.page === page;
    if (message.say === "picture") {
      const kept = ready.get(id);
      if (!kept) return;
      kept.labels = message.labels;
      kept.address = kept.address || URL.createObjectURL(new Blob([buffers[0]]));
      // Decoded before it is needed.
      const image = new Image();
      image.src = kept.address;
      image.decode().catch(() => null);
      kept.image = image;
      if (now.id === id && !origin) arrived(id);
    } else if (message.say === "suggestions") {
      if (ours && now.id === id && !touched && !labeled) {
        suggestions = message.boxes.filter(({ box: one }) => !boxes.some(({ box: [x0, y0, x1, y1] }) => {
          const wide = Math.min(x1, one[2]) - Math.max(x0, one[0]), tall = Math.min(y1, one[3]) - Math.max(y0, one[1]);
          return wide > 0 && tall > 0 && wide * tall > 0.5 * Math.max((x1 - x0) * (y1 - y0), (one[2] - one[0]) * (one[3] - one[1]));
        }));
      }
    } else if (message.say === "next") {
      if (!ours || message.number !== asked) return;
      asked = null;
      ahead = message.id === null ? null : message;
      if (goesOn) actions.next();
      else if (ahead && pictures.has(ahead.id)) fetch(ahead.id, ahead.reason);
    } else if (message.say === "clicked") {
      if (ours && now.id === id) {
        if (message.box) put(message.box);
        else tell("Nothing of one color ends around that place: drag a box.");
      }
    } else if (message.say === "saved") {
      pending.drop(id, message.number);
      if (!pictures.has(id)) return;
      // Ids of new boxes come from the kernel; nothing else has changed unless there is more to send.
      heardOf(id, message.labels, ours);
      // That it is saved is said by what no longer waits.  Only what was not saved before is over; other words stay.
      if (ours && (message.merged || told_bad)) tell(message.merged ? "A change made elsewhere was kept, too." : "");
    } else if (message.say === "went_back") {
      if (id !== null) {
        heardOf(id, message.labels, ours);
        if (ours && now.id !== id) go(id);
        else if (ours) { suggestions = []; touched = true; }
      }
      if (ours) tell(id === null ? "A change of the classes was undone." : "Done.");
    } else if (message.say === "class_added") {
      if (ours) {
        kind = message.class;
        name.value = "";
        tell("");
        if (unnamed) { const one = unnamed; unnamed = null; stage.focus(); put(one); }
      }
    } else if (message.say === "class_renamed") {
      if (ours) name.value = "";
    } else if (message.say === "refused" && ours) {
      if (!message.again && id !== null && pending.drop(id, message.number) && message.labels) heardOf(id, message.labels, true);
      if (message.number === asked) asked = null;
      if (now.id === id && !origin) broken = true;
      tell(message.text, true);
      if (goesOn && asked === null && (origin || broken)) actions.next();
    }
    draw();
  }

  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. What you change is kept in this browser. Wait for it, or restart it and run this cell again: what waits is then saved.");
  const timer = setInterval(() => {
    if (pending.size) sendPending();
    else if (model.get("status").fitting || readOnly()) say({ say: "status" });
  }, ASK_MS);
  const size = new ResizeObserver(() => draw());
  size.observe(stage);
  el.append(box);
  // The class of the next box is one of those there are: one may have been added or undone, here or in another window.
  function heardStatus() {
    if (place(kind) < 0) kind = (classes()[0] || [null])[0];
    draw();
  }
  kind = (classes()[0] || [null])[0];
  model.on("msg:custom", heard);
  model.on("change:status", heardStatus);
  go(model.get("first"));
  return () => {
    watch.stop();
    clearInterval(timer);
    size.disconnect();
    pending.close();
    model.off("msg:custom", heard);
    model.off("change:status", heardStatus);
    for (const { address } of ready.values()) if (address) URL.revokeObjectURL(address);
  };
}

export default { render };
