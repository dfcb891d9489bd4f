// Reading a label with the camera, where the browser can. Typing does the same, so without this nothing is lost.
(() => {
  const LOOK_EVERY_MS = 200;

  const say = (form, text) => {
    const line = form.querySelector("[data-scan-says]");
    line.textContent = text;
    line.hidden = !text;
  };

  const stop = (video) => {
    for (const track of video.srcObject?.getTracks() ?? []) track.stop();
    video.srcObject = null;
    video.hidden = true;
  };

  const look = async (form, video, detector) => {
    if (!video.srcObject) return;
    const [found] = await detector.detect(video).catch(() => []);
    if (!found) {
      setTimeout(() => look(form, video, detector), LOOK_EVERY_MS);
      return;
    }
    stop(video);
    form.elements.label.value = found.rawValue;
    form.requestSubmit();
  };

  const scan = async (form) => {
    const video = form.querySelector("[data-scan-picture]");
    if (video.srcObject) { stop(video); say(form, ""); return; }
    try {
      video.srcObject = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    } catch {
      say(form, "The camera cannot be used here. Type what stands below the code.");
      return;
    }
    video.hidden = false;
    say(form, "Hold the code in front of the camera.");
    await video.play();
    look(form, video, new BarcodeDetector({ formats: ["qr_code"] }));
  };

  document.addEventListener("DOMContentLoaded", async () => {
    const form = document.getElementById("scan");
    if (!form || !("BarcodeDetector" in window) || !navigator.mediaDevices) return;
    const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
    if (!formats.includes("qr_code")) return;
    const button = form.querySelector("[data-scan]");
    button.hidden = false;
    button.addEventListener("click", () => scan(form));
  });
})();
