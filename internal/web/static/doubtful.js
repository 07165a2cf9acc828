// Goes through undecided marbles by the keyboard and without loading the whole
// page anew. Without it every action is a link or a button all the same.
"use strict";

const keysOn = document.getElementById("keys-on");
const help = document.getElementById("keys-help");
const dialog = document.getElementById("keys");
const said = document.getElementById("said");
const remembered = "tawsight-single-keys";

try {
  keysOn.checked = localStorage.getItem(remembered) !== "off";
} catch {
  // no storage: keys are on for this page
}
keysOn.addEventListener("change", () => {
  try {
    localStorage.setItem(remembered, keysOn.checked ? "on" : "off");
  } catch {
    // it holds for this page only
  }
});
document.getElementById("keys-line").hidden = false;
help.addEventListener("click", () => dialog.showModal());

let busy = false;

// show puts another state of the page in the place of this one.
const show = async answer => {
  const text = await answer.text();
  const fresh = new DOMParser().parseFromString(text, "text/html");
  const one = fresh.getElementById("one");
  if (!one) { // a problem: its page says what is the matter
    document.body.replaceWith(document.adoptNode(fresh.body));
    document.title = fresh.title;
    document.getElementById("main").focus();
    return;
  }
  document.getElementById("one").replaceWith(document.adoptNode(one));
  document.getElementById("queues").replaceWith(document.adoptNode(fresh.getElementById("queues")));
  const old = document.querySelector(".notice.done");
  const done = fresh.querySelector(".notice.done");
  if (old) old.remove();
  if (done) document.getElementById("main").prepend(document.adoptNode(done));
  document.title = fresh.title;
  history.replaceState(null, "", answer.url);
  document.getElementById("one-heading").focus({preventScroll: true});
  window.scrollTo({top: document.getElementById("one").offsetTop - 90});
  const verdict = document.getElementById("verdict");
  said.textContent = [done && done.querySelector("span").textContent, document.getElementById("one-heading").innerText, verdict && verdict.textContent].filter(Boolean).join(". ");
};

const go = async (url, options) => {
  if (busy) return;
  busy = true;
  document.getElementById("one").setAttribute("aria-busy", "true");
  try {
    await show(await fetch(url, {...options, headers: {Accept: "text/html"}}));
  } catch {
    said.textContent = "";
    const note = document.createElement("p");
    note.className = "notice fail";
    note.setAttribute("role", "alert");
    note.textContent = "The page can’t be reached. Is tawsight serve still running? Nothing was lost.";
    document.getElementById("one").prepend(note);
  } finally {
    busy = false;
    document.getElementById("one")?.removeAttribute("aria-busy");
  }
};

document.addEventListener("submit", e => {
  const form = e.target;
  if (form.method !== "post" || !form.closest("#one, .notice.done")) return;
  e.preventDefault();
  const fields = new URLSearchParams(new FormData(form, e.submitter));
  go(form.action, {method: "POST", body: fields});
});

document.addEventListener("click", e => {
  const link = e.target.closest(".one-moves a");
  if (!link || e.ctrlKey || e.metaKey || e.shiftKey || e.altKey) return;
  e.preventDefault();
  go(link.href);
});

// How sure somebody is holds for both forms.
document.addEventListener("change", e => {
  const other = document.getElementById("other-sure");
  if (e.target.name !== "sure" || !other) return;
  if (e.target === other) document.querySelector(`#decide [value="${other.value}"]`).checked = true;
  else other.value = e.target.value;
});

const writes = e => e.matches("textarea, select, [contenteditable]") || e.matches("input") && !/^(radio|checkbox|button|submit)$/.test(e.type);

document.addEventListener("keydown", e => {
  if (e.ctrlKey || e.metaKey || e.altKey || e.isComposing || e.repeat || dialog.open) return;
  if (e.key === "Escape" && writes(e.target)) {
    document.getElementById("one-heading")?.focus({preventScroll: true});
    return;
  }
  if (!keysOn.checked || writes(e.target)) return;
  if (e.key === "?") {
    e.preventDefault();
    dialog.showModal();
    return;
  }
  const key = CSS.escape(e.key);
  const to = document.querySelector(`#one [data-key="${key}"], #one [data-also="${key}"]`);
  if (!to || to.disabled) return;
  e.preventDefault();
  if (writes(to)) to.focus();
  else to.click();
});

document.getElementById("one-heading")?.focus({preventScroll: true});
