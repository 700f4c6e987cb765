// Where the browser has a camera: it reads a code, and puts it into the scan line as a scanner would.
(() => {
  "use strict";

  const script = document.currentScript;
  const button = document.getElementById("camera");
  const view = document.getElementById("viewfinder");
  if (!button || !navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) return;
  button.hidden = false;

  const FORMATS = ["qr_code", "data_matrix", "code_128"];
  const PAUSE = 120; // milliseconds between two looks
  const AGAIN = 3000; // the same code is read again only after so long

  let reader; // is fetched once, when it is wanted first
  const fetchReader = () => {
    reader = reader || new Promise((resolve, reject) => {
      const loaded = document.createElement("script");
      loaded.src = script.dataset.reader;
      loaded.onerror = reject;
      loaded.onload = () => {
        const api = window.BarcodeDetectionAPI;
        api.prepareZXingModule({ overrides: { locateFile: () => script.dataset.wasm } });
        resolve(new api.BarcodeDetector({ formats: FORMATS }));
      };
      document.head.append(loaded);
    });
    return reader;
  };

  let stream;
  const stop = () => {
    for (const track of stream ? stream.getTracks() : []) track.stop();
    stream = undefined;
    view.replaceChildren();
    view.hidden = true;
    button.textContent = "Camera";
  };

  const say = (words) => {
    const line = document.createElement("p");
    line.setAttribute("role", "status");
    line.textContent = words;
    view.append(line);
    return line;
  };

  const look = async (video, told) => {
    const detector = await fetchReader();
    let last = "";
    let at = 0;
    while (stream) {
      if (video.readyState >= video.HAVE_CURRENT_DATA) {
        const [code] = await detector.detect(video);
        const seen = Date.now();
        if (code && stream && (code.rawValue !== last || seen - at > AGAIN)) {
          last = code.rawValue;
          at = seen;
          told.textContent = `Read: ${last}`;
          const line = document.getElementById("scan");
          line.value = last;
          line.form.requestSubmit();
        } else if (code) {
          at = seen;
        }
      }
      await new Promise((resolve) => setTimeout(resolve, PAUSE));
    }
  };

  button.addEventListener("click", async () => {
    if (stream) {
      stop();
      return;
    }
    view.hidden = false;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" }, audio: false });
      button.textContent = "Camera off";
      const video = document.createElement("video");
      video.muted = true;
      video.playsInline = true;
      video.srcObject = stream;
      view.append(video);
      const told = say("Hold the code before the camera.");
      await video.play();
      await look(video, told);
    } catch {
      stop();
      view.hidden = false;
      say("The camera can’t be used here. Allow it in the browser, or type what the label says.");
    }
  });
})();
