// Makes the page quicker to use; everything works without it.
"use strict";

// A form goes once, however often a glove hits the button.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  setTimeout(() => delete form.dataset.sent, 4000);
});
