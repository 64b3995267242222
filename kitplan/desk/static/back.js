// Back as the browser goes back, which keeps what was typed in a form that this desk does not keep by line.
document.querySelector("a.back")?.addEventListener("click", event => { event.preventDefault(); history.back(); });
