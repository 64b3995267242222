// What is typed stays in this browser until it is saved, and a bar-code reader that types like a keyboard jumps to the line.
const form = document.querySelector("form.keep");
if (form) {
  const key = "desk-" + form.dataset.keep;
  const fields = () => [...form.querySelectorAll("input:not([type=hidden]):not([type=date]), select")];
  try {
    const kept = JSON.parse(localStorage.getItem(key) || "{}");
    for (const field of fields()) if (kept[field.id]) {
      field.value = kept[field.id];
      field.closest("details")?.setAttribute("open", "");
    }
  } catch { localStorage.removeItem(key); }
  form.addEventListener("input", () => {
    const typed = Object.fromEntries(fields().filter(f => f.value).map(f => [f.id, f.value]));
    localStorage.setItem(key, JSON.stringify(typed));
    sessionStorage.setItem("saving", "");
  });
  form.addEventListener("submit", () => sessionStorage.setItem("saving", key));
  for (const field of form.querySelectorAll("input[inputmode=numeric]")) field.addEventListener("keydown", event => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    const all = fields().filter(f => !f.closest("div.line details:not([open])")), next = all[all.indexOf(field) + 1];
    next?.closest("details")?.setAttribute("open", "");
    (next || form.querySelector("button")).focus();
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
      reader.value = "";
      line.scrollIntoView({ block: "center" });
      line.querySelector("input:not([type=hidden])").focus();
      return;
    }
  }
  reader.select();
});
if (!form && !document.querySelector("[role=alert]")) {
  const saved = sessionStorage.getItem("saving");
  if (saved) { localStorage.removeItem(saved); sessionStorage.removeItem("saving"); }
}
