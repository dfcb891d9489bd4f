// The look of this device: plain, day or night. Runs in the head, so that a dark-adapted eye never meets a white page.
(() => {
  const LOOKS = ["plain", "day", "night"];
  const root = document.documentElement;
  let kept = null;
  try { kept = localStorage.getItem("look"); } catch { /* storage is closed; the choice lasts for this page */ }
  const show = (look) => { root.dataset.look = LOOKS.includes(look) ? look : "plain"; };
  show(kept);

  document.addEventListener("DOMContentLoaded", () => {
    const looks = document.getElementById("looks");
    if (!looks) return;
    const buttons = [...looks.querySelectorAll("[data-set-look]")];
    const press = () => buttons.forEach((button) =>
      button.setAttribute("aria-pressed", String(button.dataset.setLook === root.dataset.look)));
    looks.hidden = false;
    press();
    looks.addEventListener("click", (event) => {
      const button = event.target.closest("[data-set-look]");
      if (!button) return;
      show(button.dataset.setLook);
      press();
      try { localStorage.setItem("look", button.dataset.setLook); } catch { /* see above */ }
    });
  });
})();
