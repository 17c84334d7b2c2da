// Records with the browser's own recorder, the phone's "improvements" switched off, and shows level and clipping.

const WANTED = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
const KINDS = ["audio/mp4", "audio/webm;codecs=opus", "audio/webm", "audio/ogg;codecs=opus"];
const FULL = 0.985;

export function possible() {
  return Boolean(window.isSecureContext && navigator.mediaDevices?.getUserMedia && window.MediaRecorder);
}

export function whyNot() {
  return window.isSecureContext
    ? "This browser has no recorder of its own. Use the phone's recorder below."
    : "Browsers let a page record only over an encrypted connection, which this one is not. Use the phone's recorder below: it does as well.";
}

/**
 * Begin to record. tell: called several times a second with {seconds, level (dB), clippedAt (seconds at which it last
 * clipped, null where it never did)}; piece: with each second of the recording and its number. The recording is `finished`
 * (a blob) when it is stopped, and also when it ends by itself, as when another program takes the microphone.
 */
export async function record(tell, piece) {
  const stream = await navigator.mediaDevices.getUserMedia({ audio: WANTED });
  const kind = KINDS.find((each) => MediaRecorder.isTypeSupported(each));
  const made = new MediaRecorder(stream, { ...(kind ? { mimeType: kind } : {}), audioBitsPerSecond: 128000 });
  const parts = [];
  made.ondataavailable = (event) => {
    if (event.data.size) piece(event.data, parts.push(event.data) - 1);
  };
  const meter = watch(stream, tell);
  const type = (made.mimeType || kind || "audio/webm").split(";")[0];
  const awake = stayAwake(); // not waited for: the recording begins now
  const finished = new Promise((done) => {
    made.onstop = () => {
      meter();
      awake.then((lock) => lock?.release());
      stream.getTracks().forEach((track) => track.stop());
      done(new Blob(parts, { type }));
    };
  });
  made.start(1000);
  const got = stream.getAudioTracks()[0].getSettings();
  return {
    kept: Object.keys(WANTED).filter((name) => got[name] === true),
    type,
    name: `recorded ${stamp()}.${type.endsWith("mp4") ? "m4a" : type.split("/")[1]}`,
    finished,
    stop: () => made.state !== "inactive" && made.stop(),
  };
}

function stamp() {
  const now = new Date();
  const two = (value) => String(value).padStart(2, "0");
  const date = [now.getFullYear(), two(now.getMonth() + 1), two(now.getDate())].join("-");
  return `${date} ${two(now.getHours())}.${two(now.getMinutes())}.${two(now.getSeconds())}`;
}

/** Ask that the screen stays on: many phones stop recording when it goes dark. */
async function stayAwake() {
  try {
    return await navigator.wakeLock?.request("screen");
  } catch {
    return undefined;
  }
}

function watch(stream, tell) {
  const sound = new AudioContext();
  const look = sound.createAnalyser();
  look.fftSize = 4096;
  sound.createMediaStreamSource(stream).connect(look);
  const samples = new Float32Array(look.fftSize);
  const begun = performance.now();
  let clippedAt = null;
  const timer = setInterval(() => {
    look.getFloatTimeDomainData(samples);
    const seconds = (performance.now() - begun) / 1000;
    let sum = 0;
    for (const value of samples) sum += value * value;
    if (samples.some((value) => Math.abs(value) >= FULL)) clippedAt = seconds;
    const level = 10 * Math.log10(Math.max(sum / samples.length, 1e-9));
    tell({ seconds, level, clippedAt });
  }, 85);
  return () => {
    clearInterval(timer);
    sound.close();
  };
}
