// Keeps the screen on.
//
// Leaves: "lock" where the browser's own way is to be had (only on a secure page: this machine's
// own, or https); else "video": a muted picture that plays keeps many phones awake; else "none".
// Only "lock" is certain, so the page says what to do otherwise.

export async function stayAwake() {
  if (await lock()) {
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible") lock();
    });
    return "lock";
  }
  return (await play()) ? "video" : "none";
}

async function lock() {
  if (!("wakeLock" in navigator)) return false;
  try {
    await navigator.wakeLock.request("screen");
    return true;
  } catch {
    return false;
  }
}

async function play() {
  const canvas = document.createElement("canvas");
  if (!canvas.captureStream) return false;
  canvas.width = canvas.height = 16;
  const context = canvas.getContext("2d");
  let turn = 0;
  const paint = () => {
    context.fillStyle = (turn = 1 - turn) ? "#000" : "#010101";
    context.fillRect(0, 0, 16, 16);
  };
  setInterval(paint, 1000);
  const video = document.createElement("video");
  video.muted = video.loop = video.playsInline = true;
  video.className = "awake";
  video.width = video.height = 2;
  video.srcObject = canvas.captureStream(1);
  document.body.append(video);
  paint(); // without a first picture it would not begin to play
  // A call, or another page, stops it.
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") video.play().catch(() => {});
  });
  try {
    await video.play();
    return true;
  } catch {
    return false;
  }
}
