function render({ model, el }) {
  const box = make("div", { class: "robotlab-widget robotlab-slider-picture" });
  const image = make("img", { alt: model.get("alt") });
  const text = make("p", { class: "robotlab-text", "aria-live": "polite" });
  box.append(image, text);

  let values = { ...model.get("asked").values };
  let waiting = false;   // one picture is being drawn
  let wanted = false;    // the values have moved on since

  let timer = null;      // until a live picture is asked for again

  function ask() {
    clearTimeout(timer);
    if (waiting) { wanted = true; return; }
    waiting = true;
    wanted = false;
    watch.expect();
    // A new object each time: a changed one would not be sent.
    model.set("asked", { number: model.get("asked").number + 1, values: { ...values } });
    model.save_changes();
  }

  // A live picture asks for itself, again and again, until the button stops it; each start has a number.
  const every = model.get("every_ms");
  const button = make("button", { type: "button" });
  let starts = 1;
  let running = every > 0;

  function runOn() {
    running = running && !model.get("failed");
    button.textContent = running ? "Stop" : "Start";
    if (running) timer = setTimeout(ask, every);
  }

  button.addEventListener("click", () => {
    clearTimeout(timer);
    running = !running;
    values.live = running ? ++starts : 0;
    button.textContent = running ? "Stop" : "Start";
    ask();
  });

  function show() {
    text.textContent = model.get("text");
    text.classList.toggle("failed", model.get("failed"));
    putPicture(image, model.get("picture"));
  }

  function answer() {
    watch.heard();
    waiting = false;
    show();
    image.dataset.answered = model.get("answered");
    if (wanted) ask();
    else if (every) runOn();
  }

  image.addEventListener("load", () => {
    image.style.width = `${image.naturalWidth * model.get("zoom")}px`;
  });

  const inputs = {};
  for (const slider of model.get("sliders")) {
    const row = (slider.options ? listRow : sliderRow)(slider, values[slider.name], (value) => {
      values[slider.name] = value;
      ask();
    });
    inputs[slider.name] = row.querySelector("input, select");
    box.append(row);
  }

  // A click, or the mouse with its button down, sets the two sliders that stand for a place in a panel.
  const place = model.get("place");
  if (place.length) {
    image.classList.add("robotlab-clickable");
    image.draggable = false;
    const put = (event) => {
      const edge = image.getBoundingClientRect();
      // The border belongs to the edge and not to the picture.
      const across = (event.clientX - edge.left - image.clientLeft) / image.clientWidth;
      const down = (event.clientY - edge.top - image.clientTop) / image.clientHeight;
      for (const [left, top, width, height] of model.get("panels")) {
        const at = [(across - left) / width, (down - top) / height];
        if (!at.every((fraction) => fraction >= 0 && fraction < 1)) continue;
        at.forEach((fraction, axis) => {
          const input = inputs[place[axis]];
          input.value = Math.floor(Number(input.min) + fraction * (input.max - input.min + 1));
          input.dispatchEvent(new Event("input"));
        });
      }
    };
    image.addEventListener("click", put);
    image.addEventListener("pointermove", (event) => {
      if (event.pointerType === "mouse" && event.buttons & 1) put(event);
    });
  }
  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. Wait for it, or restart it and run the cells from the top.");
  if (every) {
    box.append(make("div", { class: "robotlab-row" }, button));
    keepKeys(button);
    text.setAttribute("aria-live", "off");  // read out, it would never end
  }
  el.append(box);
  show();
  model.on("change:answered", answer);
  if (every) runOn();
  return () => {
    clearTimeout(timer);
    running = false;
    watch.stop();
    model.off("change:answered", answer);
    if (image.src) URL.revokeObjectURL(image.src);
  };
}

export default { render };
