function render({ model, el }) {
  const box = make("div", { class: "robotlab-widget robotlab-slider-picture" });
  const image = make("img", { alt: model.get("alt") });
  const text = make("p", { class: "robotlab-text", "aria-live": "polite" });
  box.append(image, text);

  let values = { ...model.get("asked").values };
  let waiting = false;   // one picture is being drawn
  let wanted = false;    // the values have moved on since

  function ask() {
    if (waiting) { wanted = true; return; }
    waiting = true;
    wanted = false;
    watch.expect();
    // A new object each time: a changed one would not be sent.
    model.set("asked", { number: model.get("asked").number + 1, values: { ...values } });
    model.save_changes();
  }

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

  // A click sets the two sliders that stand for a place, in pixels of the picture.
  const place = model.get("place");
  if (place.length) {
    image.classList.add("robotlab-clickable");
    image.addEventListener("click", (event) => {
      const edge = image.getBoundingClientRect();
      // The border belongs to the edge and not to the picture.
      const across = (event.clientX - edge.left - image.clientLeft) / image.clientWidth;
      const down = (event.clientY - edge.top - image.clientTop) / image.clientHeight;
      [across * image.naturalWidth, down * image.naturalHeight].forEach((at, axis) => {
        const input = inputs[place[axis]];
        input.value = Math.max(0, Math.floor(at)) % (Number(input.max) + 1);
        input.dispatchEvent(new Event("input"));
      });
    });
  }
  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. Wait for it, or restart it and run the cells from the top.");
  el.append(box);
  show();
  model.on("change:answered", answer);
  return () => {
    watch.stop();
    model.off("change:answered", answer);
    if (image.src) URL.revokeObjectURL(image.src);
  };
}

export default { render };
