"use strict";
// The page of a running job looks again by itself; without script it refreshes by its meta element.
for (const job of document.querySelectorAll("[data-again]")) {
  setTimeout(() => location.reload(), Number(job.dataset.again) * 1000);
}
