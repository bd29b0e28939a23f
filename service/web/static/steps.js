// Arrow keys step from one change of a dive to the next, as the links on the page do. Without this the links do all.
"use strict";

document.addEventListener("keydown", (event) => {
  const rel = { ArrowLeft: "prev", ArrowRight: "next" }[event.key];
  if (!rel || event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
  if (event.target.closest("input, select, textarea, details[open] > dl")) return;
  const link = document.querySelector(`a[rel=${rel}]`);
  if (link) link.click();
});
