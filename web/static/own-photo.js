// A photo chosen on a personal page is made smaller before it is sent: a phone's own may be larger than is taken.

import { shrunk } from "./check/photo.js";

document.addEventListener("change", async ({ target }) => {
  if (!target.matches?.("form.photo input[type=file]") || !target.files.length) return;
  const [file] = target.files;
  const button = target.form.querySelector("button");
  button.disabled = true; // until the smaller one is there
  try {
    const small = await shrunk(file);
    if (small.size >= file.size) return;
    const chosen = new DataTransfer();
    chosen.items.add(new File([small], "photo.jpg", { type: "image/jpeg" }));
    target.files = chosen.files;
  } finally {
    button.disabled = false;
  }
});
