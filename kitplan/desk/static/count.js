// What is typed stays in this browser until it is saved, each field by the line that it stands in; and a bar-code reader
// that types like a keyboard jumps to the line.
const done = document.querySelector("[data-done]");
if (done) {
  localStorage.removeItem("desk-" + done.dataset.done);
  history.replaceState(null, "", location.pathname);
}
for (const form of document.querySelectorAll("form.keep")) {
  const key = "desk-" + form.dataset.keep, notice = form.querySelector(".kept");
  const fields = () => [...form.querySelectorAll("input:not([type=hidden]):not([type=checkbox]), select")];
  const place = field => (field.closest("[data-key]")?.dataset.key ?? "") + " " + field.name;
  let kept = {};
  try { kept = JSON.parse(localStorage.getItem(key) || "{}"); } catch { localStorage.removeItem(key); }
  for (const field of fields()) if (kept[place(field)]) {
    field.value = kept[place(field)];
    field.closest("details")?.setAttribute("open", "");
    notice.hidden = false;
  }
  notice.querySelector("button").addEventListener("click", () => {
    localStorage.removeItem(key);
    form.reset();
    notice.hidden = true;
  });
  const keep = () => {
    const typed = Object.fromEntries(fields().filter(f => f.value).map(f => [place(f), f.value]));
    if (fields().some(f => f.value && f.type !== "date")) localStorage.setItem(key, JSON.stringify(typed));
    else localStorage.removeItem(key);
  };
  form.addEventListener("input", keep);
  form.addEventListener("submit", keep);  // another window may have saved its own, and cleared this
  for (const field of form.querySelectorAll("input[inputmode=numeric]")) field.addEventListener("keydown", event => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    const all = fields().filter(f => !f.closest("div.line details:not([open])")), next = all[all.indexOf(field) + 1];
    next?.closest("details")?.setAttribute("open", "");
    (next || form.querySelector("button.main, button:not([type=button])")).focus();
  });
}
const reader = document.getElementById("reader");
if (reader) reader.addEventListener("keydown", event => {
  if (event.key !== "Enter") return;
  event.preventDefault();
  const read = reader.value.replace(/[()\s]/g, ""), digits = read.startsWith("01") && read.length >= 16 ? read.slice(2, 16) : read;
  const bare = digits.replace(/^0+/, "");
  for (const line of document.querySelectorAll("[data-codes]")) {
    const codes = line.dataset.codes.split(" ").filter(Boolean);
    if (codes.some(c => c === read || (bare && c.replace(/^0+/, "") === bare))) {
      reader.value = document.getElementById("unread").textContent = "";
      line.scrollIntoView({ block: "center" });
      line.querySelector("input:not([type=hidden])").focus();
      return;
    }
  }
  document.getElementById("unread").textContent = "No line has the code " + reader.value + ".";
  reader.select();
});
