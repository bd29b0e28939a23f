// A button beside each password that shows what was typed. Without JavaScript there is none, and pasting works anyway.
"use strict";

for (const button of document.querySelectorAll("button[data-shows]")) {
  const field = document.getElementById(button.dataset.shows);
  button.hidden = false;
  button.addEventListener("click", () => {
    const shown = field.type === "text";
    field.type = shown ? "password" : "text";
    button.setAttribute("aria-pressed", String(!shown));
    field.focus();
  });
  // What is sent is remembered by browsers as a password only if the field is one at that moment.
  field.form.addEventListener("submit", () => { field.type = "password"; });
}
