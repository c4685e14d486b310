// The frame says how high it is, and when the pointer or the keyboard is used in
// it: the page around a frame sees neither.
const REPORT = `<script>
let said = -Infinity;
for (const kind of ["pointermove", "pointerdown", "focusin", "keydown"]) {
  addEventListener(kind, () => {
    if (performance.now() - said < 1000) return;
    said = performance.now();
    parent.postMessage({ robotlabUsed: true }, "*");
  });
}
// In a frame like this one a link to a part of the page would load the page around it.
addEventListener("click", (event) => {
  const link = event.target.closest('a[href^="#"]');
  if (!link) return;
  event.preventDefault();
  document.getElementById(link.getAttribute("href").slice(1)).scrollIntoView();
});
new ResizeObserver(() => parent.postMessage(
  { robotlabHeight: Math.ceil(document.documentElement.getBoundingClientRect().height) }, "*"
)).observe(document.documentElement);
<\/script>`;

// Puts the page into the frame; a new one each time it changes.
function fill(frame, model) {
  frame.title = model.get("alt");
  frame.srcdoc = `<!doctype html><html lang="en"><meta charset="utf-8"><title>Replay</title>
<body style="margin:0;background:#fff;color:#222;font-family:sans-serif">${model.get("page")}${REPORT}</body></html>`;
}

function render({ model, el }) {
  const frame = make("iframe", { sandbox: "allow-scripts", height: "420" });
  fill(frame, model);
  const refill = () => fill(frame, model);
  model.on("change:page", refill);

  const box = make("div", { class: "robotlab-widget robotlab-replay" }, frame);
  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. This replay still plays; for a new one wait, or restart the kernel and run the cells from the top.");
  function hear(event) {
    if (event.source !== frame.contentWindow || !event.data) return;
    if (event.data.robotlabHeight) frame.height = String(Math.min(2000, event.data.robotlabHeight));
    if (event.data.robotlabUsed) watch.ask();
  }
  window.addEventListener("message", hear);

  // Only where there is something to choose.
  const lists = model.get("lists") || [];
  const text = make("p", { class: "robotlab-text", "aria-live": "polite" });
  const values = lists.length ? { ...model.get("asked").values } : {};
  function answer() {
    watch.heard();
    text.textContent = model.get("text");
    text.classList.toggle("failed", model.get("failed"));
    box.dataset.answered = model.get("answered");
  }
  for (const list of lists) {
    box.insertBefore(listRow(list, values[list.name], (value) => {
      values[list.name] = value;
      text.textContent = "Driving; a run that nobody has looked at yet takes some seconds.";
      watch.expect();
      // A new object each time: a changed one would not be sent.
      model.set("asked", { number: model.get("asked").number + 1, values: { ...values } });
      model.save_changes();
    }), frame);
  }
  if (lists.length) {
    box.insertBefore(text, frame);
    answer();
    model.on("change:answered", answer);
  }
  el.append(box);
  return () => {
    watch.stop();
    model.off("change:page", refill);
    model.off("change:answered", answer);
    window.removeEventListener("message", hear);
  };
}

export default { render };
