// A new element with its class and words, for the canvas and the list.
function element(kind, className, text) {
  const made = document.createElement(kind);
  made.className = className;
  if (text) made.textContent = text;
  return made;
}
