// Counts on from the times that the server wrote. Without it the page says the same, as of when it was loaded.
"use strict";

for (const countdown of document.querySelectorAll(".countdown")) {
  const left = countdown.querySelector(".left");
  const at = Date.parse(countdown.dataset.at);
  const then = Date.parse(countdown.dataset.now);
  const pace = Number(countdown.dataset.pace);
  const loaded = performance.now();
  const words = (seconds) => {
    const whole = Math.floor(Math.abs(seconds));
    const hours = Math.floor(whole / 3600);
    const minutes = Math.floor(whole / 60) % 60;
    const span = (hours ? `${hours} h ` : "") + `${minutes} min ${whole % 60} s`;
    return seconds > 0 ? `in ${span}` : `${span} ago`;
  };
  const show = () => {
    const now = then + (performance.now() - loaded) * pace;
    left.textContent = words((at - now) / 1000);
  };
  show();
  setInterval(show, 1000);
}
