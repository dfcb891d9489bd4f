// Reading a label with the camera. Browsers that cannot read codes by themselves fetch what does when the camera is
// asked for. Typing does the same, so without this nothing is lost.
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
    const [Detector] = await Promise.all([detectorFor(form), video.play()]).catch(() => []);
    if (Detector) {
      look(form, video, new Detector({ formats: ["qr_code"] }));
    } else {
      stop(video);
      say(form, "Codes cannot be read here. Type what stands below the code.");
    }
  };

  const detectorFor = async (form) => {
    const formats = await window.BarcodeDetector?.getSupportedFormats().catch(() => []);
    if (formats?.includes("qr_code")) return window.BarcodeDetector;
    return (await import(form.dataset.decoder)).BarcodeDetector;
  };

  document.addEventListener("DOMContentLoaded", () => {
    const form = document.getElementById("scan");
    if (!form || !navigator.mediaDevices) return;
    const button = form.querySelector("[data-scan]");
    button.hidden = false;
    button.addEventListener("click", () => scan(form));
  });
})();
