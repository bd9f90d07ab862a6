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
