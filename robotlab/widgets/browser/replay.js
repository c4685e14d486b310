// Sent by the frame whenever its height changes.
const REPORT_HEIGHT = `<script>
new ResizeObserver(() => parent.postMessage(
  { robotlabHeight: Math.ceil(document.documentElement.getBoundingClientRect().height) }, "*"
)).observe(document.documentElement);
<\/script>`;

function render({ model, el }) {
  const frame = make("iframe", { sandbox: "allow-scripts", title: model.get("alt"), height: "420" });
  frame.srcdoc = `<!doctype html><html lang="en"><meta charset="utf-8"><title>Replay</title>
<body style="margin:0;background:#fff;color:#222;font-family:sans-serif">${model.get("page")}${REPORT_HEIGHT}</body></html>`;

  function fit(event) {
    if (event.source !== frame.contentWindow || !event.data || !event.data.robotlabHeight) return;
    frame.height = String(Math.min(2000, event.data.robotlabHeight));
  }
  window.addEventListener("message", fit);

  const gone = goneNotice(
    "The kernel has stopped. This replay still plays; for a new one restart the kernel and run the cells from the top.");
  el.append(make("div", { class: "robotlab-widget robotlab-replay" }, frame, gone));
  return () => window.removeEventListener("message", fit);
}

export default { render };
