// Helps with lists to tick: how many are ticked, all at once, printing. Without
// it the lists and their buttons work all the same.
"use strict";

for (const form of document.querySelectorAll("form:has(input[name=m])")) {
  const boxes = () => [...form.querySelectorAll("input[name=m]")];
  const said = form.querySelector("#how-many");
  const all = form.querySelector("[data-tick-all]");
  const tell = () => {
    const n = boxes().filter(b => b.checked).length;
    if (said) said.textContent = n ? `(${n})` : "";
    if (all) all.textContent = n === boxes().length ? "Tick none" : "Tick all on this page";
  };
  form.addEventListener("change", tell);
  if (all) {
    all.hidden = false;
    all.addEventListener("click", () => {
      const on = boxes().some(b => !b.checked);
      for (const b of boxes()) b.checked = on;
      tell();
    });
  }
  tell();
}

for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}

// Who picks a colour wants it to count.
for (const field of document.querySelectorAll("[data-ticks]")) {
  field.addEventListener("input", () => { document.getElementById(field.dataset.ticks).checked = true; });
}
