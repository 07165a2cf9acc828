// Parts of a page that are still being worked out bear data-wait, the
// milliseconds after which to ask again. Without this script the page itself
// offers a link to look again.
"use strict";

const ask = async part => {
  await new Promise(f => setTimeout(f, Number(part.dataset.wait)));
  if (!part.isConnected) return;
  let fresh = null;
  try {
    const answer = await fetch(location.href, {headers: {Accept: "text/html"}});
    const text = await answer.text();
    fresh = new DOMParser().parseFromString(text, "text/html").getElementById(part.id);
  } catch {
    // the server is gone for now
  }
  if (!fresh) return ask(part);
  const focused = part.contains(document.activeElement);
  part.replaceWith(document.adoptNode(fresh));
  if (focused) {
    fresh.tabIndex = -1;
    fresh.focus();
  }
  if ("wait" in fresh.dataset) ask(fresh);
  else document.dispatchEvent(new CustomEvent("page-part", {detail: fresh}));
};

for (const part of document.querySelectorAll("[data-wait]")) ask(part);
