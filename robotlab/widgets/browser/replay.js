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
new ResizeObserver(() => parent.postMessage(
  { robotlabHeight: Math.ceil(document.documentElement.getBoundingClientRect().height) }, "*"
)).observe(document.documentElement);
<\/script>`;

function render({ model, el }) {
  const frame = make("iframe", { sandbox: "allow-scripts", title: model.get("alt"), height: "420" });
  frame.srcdoc = `<!doctype html><html lang="en"><meta charset="utf-8"><title>Replay</title>
<body style="margin:0;background:#fff;color:#222;font-family:sans-serif">${model.get("page")}${REPORT}</body></html>`;

  const box = make("div", { class: "robotlab-widget robotlab-replay" }, frame);
  const watch = watchKernel(model, box,
    "No answer from the kernel: it is busy, or it has stopped. This replay still plays; for a new one wait, or restart the kernel and run the cells from the top.");
  function hear(event) {
    if (event.source !== frame.contentWindow || !event.data) return;
    if (event.data.robotlabHeight) frame.height = String(Math.min(2000, event.data.robotlabHeight));
    if (event.data.robotlabUsed) watch.ask();
  }
  window.addEventListener("message", hear);
  el.append(box);
  return () => {
    watch.stop();
    window.removeEventListener("message", hear);
  };
}

export default { render };
