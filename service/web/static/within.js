// A signal that ends a request that takes too long: a link that is half open must not look like calm. Browsers of before
// 2022 have no AbortSignal.timeout, and a script that asked for it there sent and showed nothing.
"use strict";

const within = (ms) => {
  const stop = new AbortController();
  setTimeout(() => stop.abort(), ms);
  return stop.signal;
};
