// Sound for new untaken alarms: off until somebody allows it, quiet for minutes
// when asked, and never for good. Four severities, four patterns; what is
// critical or major sounds again each minute until somebody has it.

const order = ["indeterminate", "warning", "minor", "major", "critical"];
const patterns = {
  critical: { pitch: 880, beats: 3, long: 0.28 }, major: { pitch: 659, beats: 2, long: 0.28 }, minor: { pitch: 523, beats: 1, long: 0.3 },
  warning: { pitch: 440, beats: 1, long: 0.15 }, indeterminate: { pitch: 440, beats: 1, long: 0.15 },
};
const again = 60000, quietFor = 600000;

export function sound({ box, untaken, live }) {
  const from = document.getElementById("sound-from"), quiet = document.getElementById("sound-quiet");
  const wake = document.getElementById("sound-wake"), word = document.getElementById("sound-word");
  let audio = null, known = new Set(untaken().map((a) => a.id)), last = 0, played = 0;
  box.hidden = false;
  from.value = localStorage.getItem("sound-from") ?? "";
  const quietUntil = () => Number(localStorage.getItem("sound-quiet") ?? 0);
  const wants = (severity) => from.value && order.indexOf(severity) >= order.indexOf(from.value);

  function ready() {
    audio ??= new AudioContext();
    if (audio.state === "suspended") audio.resume().catch(() => {});
    return audio.state === "running";
  }

  function play(severity) {
    if (!ready()) return false;
    const { pitch, beats, long } = patterns[severity] ?? patterns.minor;
    for (let i = 0; i < beats; i++) {
      const tone = audio.createOscillator(), level = audio.createGain(), at = audio.currentTime + i * (long + 0.14);
      tone.frequency.value = pitch;
      level.gain.setValueAtTime(0, at);
      level.gain.linearRampToValueAtTime(0.35, at + 0.02);
      level.gain.setValueAtTime(0.35, at + long - 0.04);
      level.gain.linearRampToValueAtTime(0, at + long);
      tone.connect(level).connect(audio.destination);
      tone.start(at);
      tone.stop(at + long);
    }
    box.dataset.played = String(++played);
    box.dataset.severity = severity;
    return true;
  }

  // tell says what will and will not be heard.
  function tell() {
    const left = quietUntil() - Date.now(), on = Boolean(from.value);
    quiet.hidden = !on || left > 0;
    wake.hidden = !on || left <= 0;
    let text = "";
    if (on && left > 0) text = `Quiet for ${Math.ceil(left / 60000)} min more.`;
    else if (on && audio?.state !== "running") text = "Press anywhere on the page, so that the browser lets it sound.";
    if (word.textContent !== text) word.textContent = text;
  }

  function look() {
    const list = untaken(), now = Date.now();
    const fresh = list.filter((a) => !known.has(a.id) && wants(a.severity));
    known = new Set(list.map((a) => a.id));
    const grave = list.filter((a) => (a.severity === "critical" || a.severity === "major") && wants(a.severity));
    if (from.value && live() && quietUntil() <= now) {
      const due = fresh.length ? fresh : (now - last >= again ? grave : []);
      if (due.length) {
        due.sort((a, b) => order.indexOf(b.severity) - order.indexOf(a.severity));
        if (play(due[0].severity)) last = now;
      }
    }
    tell();
  }

  from.addEventListener("change", () => {
    localStorage.setItem("sound-from", from.value);
    localStorage.removeItem("sound-quiet");
    last = Date.now();
    if (from.value) play(from.value); // so that one hears what one has chosen
    tell();
  });
  quiet.addEventListener("click", () => { localStorage.setItem("sound-quiet", String(Date.now() + quietFor)); tell(); });
  wake.addEventListener("click", () => { localStorage.removeItem("sound-quiet"); ready(); tell(); });
  document.addEventListener("pointerdown", () => { if (from.value) ready(); });
  document.addEventListener("keydown", () => { if (from.value) ready(); });
  last = Date.now();
  if (from.value) ready();
  tell();
  setInterval(look, 1000);
  return look;
}
