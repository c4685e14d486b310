// Shared by all widgets.

// A new element with attributes and children.
function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

// JupyterLab moves between cells with the arrow keys. Keys pressed on a widget
// are the widget's own; those with Ctrl or Cmd, such as save, still get through.
function keepKeys(element) {
  element.addEventListener("keydown", (event) => {
    if (!event.ctrlKey && !event.metaKey && event.key !== "Escape") event.stopPropagation();
  });
}

// Milliseconds after which the reader is told that no answer came.
const PATIENCE_MS = 5000;

// Puts a notice at the end of a widget and shows it while the kernel does not
// answer. Asked whenever the pointer or the keyboard comes to the widget, since
// no notebook tells a widget that its kernel was restarted or shut down.
function watchKernel(model, box, words) {
  let timer = null;
  let asked = -Infinity;
  const watch = {
    ask() {
      if (performance.now() - asked < PATIENCE_MS) return;
      asked = performance.now();
      watch.expect();
      model.send("there?");
    },
    expect() {
      if (timer === null) timer = setTimeout(() => box.classList.add("unanswered"), PATIENCE_MS);
    },
    heard() {
      clearTimeout(timer);
      timer = null;
      box.classList.remove("unanswered");
    },
    stop() {
      clearTimeout(timer);
      model.off("msg:custom", watch.heard);
    },
  };
  box.append(make("p", { class: "robotlab-gone", role: "status" }, words));
  box.addEventListener("pointerenter", watch.ask);
  box.addEventListener("focusin", watch.ask);
  model.on("msg:custom", watch.heard);
  return watch;
}

// One slider with its label and its number; `moved` gets each new value.
function sliderRow(slider, start, moved) {
  const id = `robotlab-${Math.random().toString(36).slice(2)}`;
  const digits = Math.max(...[slider.low, slider.step].map((number) => (String(number).split(".")[1] || "").length));
  const say = (value) => `${Number(value).toFixed(digits)} ${slider.unit}`.trim();
  const input = make("input", {
    type: "range", id, min: slider.low, max: slider.high, step: slider.step,
    value: start, "data-name": slider.name,
  });
  const output = make("output", { for: id }, say(start));
  input.setAttribute("aria-valuetext", say(start));
  input.addEventListener("input", () => {
    output.textContent = say(input.value);
    input.setAttribute("aria-valuetext", say(input.value));
    moved(Number(input.value));
  });
  keepKeys(input);
  return make("div", { class: "robotlab-row" }, make("label", { for: id }, slider.label), input, output);
}

// A list to choose from, with its label; `chosen` gets each new value.
function listRow(list, start, chosen) {
  const id = `robotlab-${Math.random().toString(36).slice(2)}`;
  const select = make("select", { id, "data-name": list.name },
    ...list.options.map((name) => make("option", { value: name }, name)));
  select.value = start;
  select.addEventListener("change", () => chosen(select.value));
  keepKeys(select);
  return make("div", { class: "robotlab-row" }, make("label", { for: id }, list.label), select);
}

// Puts the bytes of a PNG file into an image.
function putPicture(image, bytes) {
  const old = image.src;
  image.src = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
  if (old) URL.revokeObjectURL(old);
}
