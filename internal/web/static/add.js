// Adding photos: files that are chosen or dropped are sent one by one, three at
// a time, and the page shows how each gets on. Without this script the form does
// the same in one go.

const atOnce = 3;
const endings = /\.(jpe?g|jpe|jfif|mpo|png|heic|heif|hif|webp|tiff?|bmp|gif|avif|dng|cr[23w]|ne[fw]|nrw|arw|raf|orf|rw2|pef|srw)$/i; // what the server takes or names a reason for

// sending is how many photos are still to be sent; leaving the page would lose
// them.
let sending = 0;

addEventListener("beforeunload", (e) => {
  if (sending > 0) e.preventDefault();
});

// ---- Choosing and dropping ----

// A scan's resolution is asked for where a scan is chosen.
function showScan(form) {
  form.querySelector("[data-scan]").hidden = form.elements.ruler.value !== "scan";
}

// said is what the form says of the photos' scale.
function said(form) {
  const { check_bar_mm: bar, ruler, dpi } = form.elements;
  const out = { check_bar_mm: bar.value.trim(), ruler: ruler.value };
  if (ruler.value === "scan") out.dpi = dpi.value.trim();
  return new URLSearchParams(out);
}

function prepareForm(root) {
  for (const form of root.querySelectorAll("form[data-add]")) {
    form.querySelector("[data-with-script]").hidden = false;
    form.querySelector("[data-without-script]").hidden = true;
    form.addEventListener("submit", (e) => e.preventDefault());
    showScan(form);
    form.elements.ruler.addEventListener("change", () => showScan(form));
    form.dataset.said = said(form).toString();
    for (const input of form.querySelectorAll("input[type=file]")) {
      input.addEventListener("change", () => {
        const chosen = [...input.files].map((file) => ({ file, name: file.webkitRelativePath || file.name }));
        input.value = "";
        add(form, chosen);
      });
    }
  }
}

const hasFiles = (e) => e.dataTransfer && [...e.dataTransfer.types].includes("Files");

addEventListener("dragover", (e) => {
  if (!hasFiles(e)) return;
  e.preventDefault();
  document.body.classList.add("dropping");
});
addEventListener("dragleave", (e) => {
  if (!e.relatedTarget) document.body.classList.remove("dropping");
});
addEventListener("drop", async (e) => {
  if (!hasFiles(e)) return;
  e.preventDefault();
  document.body.classList.remove("dropping");
  const form = document.querySelector("form[data-add]");
  // Entries must be taken before the first pause, after which the list is empty.
  const items = [...e.dataTransfer.items].map((i) => ({ entry: i.webkitGetAsEntry?.(), file: i.getAsFile() }));
  const found = [];
  for (const { entry, file } of items) {
    if (entry?.isDirectory) await walk(entry, found);
    else if (file) found.push({ file, name: file.name });
  }
  if (form) add(form, found);
});

// walk gathers the files below a folder; what can't be read of it by its name alone.
async function walk(folder, found) {
  const reader = folder.createReader();
  for (;;) {
    const some = await taken((ok, no) => reader.readEntries(ok, no)); // a part of them each time
    if (!some) found.push({ name: folder.fullPath.slice(1) });
    if (!some?.length) return;
    for (const entry of some) {
      if (entry.isDirectory) await walk(entry, found);
      else found.push({ file: await taken((ok, no) => entry.file(ok, no)), name: entry.fullPath.slice(1) });
    }
  }
}

// taken is what the browser hands over, nothing where it can't.
const taken = (ask) => new Promise(ask).catch(() => undefined);

// ---- Sending ----

async function add(form, chosen) {
  const lost = chosen.filter((c) => !c.file);
  const photos = chosen.filter((c) => c.file && endings.test(c.name));
  const others = chosen.filter((c) => c.file && !endings.test(c.name));
  if (chosen.length === 0) return;
  let page = document.querySelector("[data-intake-page]");
  // Photos that have their scale from something else are a lot of their own.
  if (photos.length > 0 && (!page || said(form).toString() !== form.dataset.said)) {
    if (sending > 0) {
      complain(form, "Photos are still being sent. Wait until they are, then add those with another ruler.");
      return;
    }
    const answer = await ask("/intakes", said(form));
    if (answer.advice) {
      complain(form, answer.what + ". " + answer.advice);
      return;
    }
    await show(answer.page);
    page = document.querySelector("[data-intake-page]");
  }
  if (!page) {
    complain(form, lost.length > 0 ? "Your browser could not read " + lost[0].name + (lost.length > 1 ? " and " + (lost.length - 1) + " more" : "") +
      ". See whether you may open it, then add it by itself." : "No photo was among them: " + form.dataset.readable + " is needed.");
    return;
  }
  for (const l of lost) pass(page, l.name, "Your browser could not read it. See whether you may open it, then add it by itself.");
  for (const o of others.slice(0, 20)) pass(page, o.name, "Not a photo; passed over.");
  if (others.length > 20) pass(page, "", "And " + (others.length - 20) + " more that are no photos.");
  const id = page.dataset.intakePage;
  sending += photos.length;
  const rows = photos.map((p) => ({ ...p, row: sendingRow(page, p.name) }));
  let next = 0;
  const worker = async () => {
    while (next < rows.length) {
      const r = rows[next++];
      await sendOne(page, id, r);
      sending--;
      page.querySelector("[data-sending]").hidden = sending === 0;
    }
  };
  await Promise.all(Array.from({ length: atOnce }, worker));
}

async function ask(path, body) {
  try {
    const r = await fetch(path, { method: "POST", body, headers: { Accept: "application/json" } });
    return await r.json();
  } catch {
    return { what: "Tawsight does not answer", advice: "See whether tawsight serve still runs, then try again." };
  }
}

// sendOne sends one photo. fetch does not tell how far a sending is, hence the
// older way.
function sendOne(page, id, { file, name, row }) {
  return new Promise((done) => {
    const x = new XMLHttpRequest();
    x.open("POST", "/intakes/" + id + "/files?name=" + encodeURIComponent(name));
    x.setRequestHeader("Accept", "application/json");
    x.responseType = "json";
    x.upload.addEventListener("progress", (e) => {
      if (e.lengthComputable) row.querySelector("progress").value = e.loaded / e.total;
    });
    x.addEventListener("load", () => {
      row.remove();
      if (x.status === 201) {
        if (x.response.known && document.getElementById("file-" + x.response.file)) {
          pass(page, name, "It is in your collection already: nothing to do.");
        } else {
          refresh(page, x.response.file);
        }
      } else {
        const why = x.response ? [x.response.what, x.response.advice].filter(Boolean).join(" ") : "";
        pass(page, name, why || "It could not be taken. Try again.");
      }
      done();
    });
    x.addEventListener("error", () => {
      row.remove();
      pass(page, name, "It did not arrive: see whether tawsight serve still runs, and whether the file is still there. Then add it again.");
      done();
    });
    x.send(file);
  });
}

function element(name, attributes, ...children) {
  const e = document.createElement(name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  e.append(...children);
  return e;
}

function sendingRow(page, name) {
  page.querySelector("[data-sending]").hidden = false;
  const row = element("li", { class: "file" }, element("span", { class: "shot" }),
    element("div", {}, element("p", { class: "name" }, name), element("progress", { max: "1", value: "0", "aria-label": "Sent of " + name })));
  page.querySelector("[data-sending-list]").append(row);
  return row;
}

function pass(page, name, why) {
  page.querySelector("[data-passed]").hidden = false;
  page.querySelector("[data-passed-list]").append(element("li", { class: "file failed" }, element("span", { class: "shot" }),
    element("div", {}, element("p", { class: "name" }, name), element("p", { class: "notice fail" }, why))));
}

function complain(form, text) {
  form.querySelector("[data-complaint]")?.remove();
  form.prepend(element("p", { class: "notice fail", role: "alert", "data-complaint": "" }, text));
}

// ---- Results as they come ----

async function parse(path) {
  const r = await fetch(path);
  if (!r.ok) throw new Error(path + ": status " + r.status);
  return new DOMParser().parseFromString(await r.text(), "text/html");
}

// show puts another page of ours in the place of this one.
async function show(path) {
  const next = await parse(path);
  document.querySelector("main").replaceWith(document.importNode(next.querySelector("main"), true));
  document.title = next.title;
  history.pushState({}, "", path);
  addEventListener("popstate", () => location.reload());
  prepareForm(document);
  watch();
}

// refresh brings one file's entry up to date.
const asked = new Map(); // file -> whether to ask again
async function refresh(page, file) {
  if (asked.has(file)) {
    asked.set(file, true);
    return;
  }
  asked.set(file, false);
  try {
    const next = await parse("/intakes/" + page.dataset.intakePage + "/files/" + file);
    const row = document.importNode(next.querySelector("li"), true);
    const old = document.getElementById("file-" + file);
    if (old) old.replaceWith(row);
    else page.querySelector("[data-files]").prepend(row);
  } catch {
    // The next event, or a reload, shows it.
  }
  const again = asked.get(file);
  asked.delete(file);
  if (again) refresh(page, file);
}

let stream = null;
let last = "";

function watch() {
  stream?.close();
  stream = null;
  const page = document.querySelector("[data-intake-page]");
  if (!page || document.hidden) return;
  last ||= page.dataset.after;
  stream = new EventSource("/events?after=" + encodeURIComponent(last));
  stream.addEventListener("intake", (e) => {
    last = e.lastEventId;
    happened(page, JSON.parse(e.data));
  });
  stream.addEventListener("again", () => {
    if (sending === 0) location.reload(); // too much was missed
  });
}

function happened(page, e) {
  if (e.intake !== page.dataset.intakePage) return;
  const bar = page.querySelector("[data-bar]");
  bar.max = Math.max(e.total, 1);
  bar.value = e.done;
  const said = page.querySelector("[data-said]");
  if (e.file) {
    refresh(page, e.file);
    said.textContent = e.done + " of " + e.total + (e.total === 1 ? " photo done." : " photos done.");
  }
  if (e.finished) {
    finished(page, e);
  }
}

// finished fetches what the page says of an intake that is done.
async function finished(page, e) {
  const next = await parse(location.pathname);
  const progress = next.querySelector(".progress");
  page.querySelector(".progress").replaceWith(document.importNode(progress, true));
  if (e.said) {
    const p = page.querySelector("[data-opinion]");
    p.textContent = e.said;
    p.hidden = false;
  }
}

// A page nobody sees keeps no line open: browsers have few for one server.
document.addEventListener("visibilitychange", watch);

prepareForm(document);
watch();
