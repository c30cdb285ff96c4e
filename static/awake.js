// Keeping the screen on at the loom: by a wake lock where there is one, else by a silent video.
//
// Browsers give wake locks to secure origins only; a page over plain http on a home network has none. A
// screen stays on while a video plays, so one is made of a canvas that nobody sees.

const CANVAS = 16;
const A_SECOND = 1000;

const lock = async () => {
  try {
    await navigator.wakeLock.request("screen");
    return true;
  } catch {
    return false; // not seen just now, or the battery is low
  }
};

const play = async () => {
  const canvas = document.createElement("canvas");
  if (!canvas.captureStream) return false;
  canvas.width = canvas.height = CANVAS;
  const pen = canvas.getContext("2d");
  const draw = () => {
    pen.fillStyle = pen.fillStyle === "#000000" ? "#000001" : "#000000";
    pen.fillRect(0, 0, CANVAS, CANVAS);
  };
  draw();
  const video = document.createElement("video");
  video.className = "awake-video";
  video.muted = true;
  video.playsInline = true;
  video.tabIndex = -1;
  video.setAttribute("aria-hidden", "true");
  video.srcObject = canvas.captureStream();
  setInterval(() => document.hidden || draw(), A_SECOND); // a stream without a new picture stands still
  document.body.append(video);
  try {
    await video.play();
    return true;
  } catch {
    video.remove();
    return false;
  }
};

// Which way there is in this browser: "lock", "video" or "none".
export const wayToStayAwake = () => {
  if ("wakeLock" in navigator) return "lock";
  return document.createElement("canvas").captureStream ? "video" : "none";
};

export const keepAwake = () => {
  const root = document.documentElement;
  const way = wayToStayAwake();
  root.dataset.awake = "none";
  const take = async () => {
    const isKept = way === "lock" ? await lock() : way === "video" && (await play());
    if (isKept) root.dataset.awake = way;
    return isKept;
  };
  if (way === "lock") {
    // it is let go whenever the page is hidden
    document.addEventListener("visibilitychange", () => document.hidden || take());
    take();
  }
  if (way === "none") return;
  const begin = async () => {
    removeEventListener("pointerup", begin);
    removeEventListener("keyup", begin);
    if (root.dataset.awake === "none") await take();
  };
  // a video may play only after she has touched the page
  addEventListener("pointerup", begin);
  addEventListener("keyup", begin);
};
