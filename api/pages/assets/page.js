// Comfort only: every page works without it.
"use strict";

// A run that has not ended: asks how far it is, and loads the page again at its end.
(() => {
  const bar = document.querySelector("progress[data-job]");
  if (!bar) return;
  const told = document.getElementById("told"), state = bar.dataset.state;
  const ask = async () => {
    try {
      const answer = await fetch("/v1/jobs/" + bar.dataset.job, { headers: { Accept: "application/json" } });
      if (!answer.ok) return;
      const job = await answer.json();
      if (job.state !== state) return location.reload();
      if (job.progress.total > 0) {
        bar.max = job.progress.total;
        bar.value = job.progress.done;
        told.textContent = job.progress.done + " of " + job.progress.total + " steps";
      }
    } catch { /* the next time */ }
    setTimeout(ask, 2000);
  };
  setTimeout(ask, 1000);
})();

// A form of changes is sent when one of its fields is left changed; the field keeps the
// focus on the page that comes.
for (const form of document.querySelectorAll("form[data-applies]")) {
  const told = document.createElement("p");
  told.className = "note";
  told.textContent = "A change is applied as soon as you leave its field.";
  form.prepend(told);
  form.addEventListener("change", (event) => {
    const field = event.target;
    // (elements.item is a method of the collection, not the field of that name.)
    if (!("apply" in field.dataset) || (field.id === "price" && !form.elements.namedItem("item").value)) return;
    sessionStorage.setItem("changed", JSON.stringify({ id: field.id }));
    form.requestSubmit();
  });
}
const changed = JSON.parse(sessionStorage.getItem("changed") || "null");
if (changed) {
  sessionStorage.removeItem("changed");
  const field = document.getElementById(changed.id);
  if (field) {
    field.focus({ preventScroll: true });
    field.scrollIntoView({ block: "center", behavior: "instant" });
  }
}

// An address to hand on can be copied by a button.
for (const field of document.querySelectorAll("input[data-copy]")) {
  if (!navigator.clipboard) break;
  const button = document.createElement("button");
  const told = document.createElement("span");
  button.type = "button";
  button.className = "second";
  button.textContent = "Copy the address";
  told.className = "copied";
  told.setAttribute("role", "status");
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(field.value);
    told.textContent = "Copied";
  });
  field.after(button, told);
}
