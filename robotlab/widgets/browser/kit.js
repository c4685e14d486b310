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

// Shown by the style sheet when the notebook says that the widget's kernel is
// gone, and by the class "unanswered".
function goneNotice(words) {
  return make("p", { class: "robotlab-gone", role: "status" }, words);
}
