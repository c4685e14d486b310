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

  for (const slider of model.get("sliders")) {
    const row = slider.options ? listRow : sliderRow;
    box.append(row(slider, values[slider.name], (value) => {
      values[slider.name] = value;
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
    if (image.src) URL.revokeObjectURL(image.src);
  };
}

export default { render };
