/** Sending while no page is open, in browsers that wake the worker when the network is back. */

import { ELSEWHERE, LATER, sendWaiting } from "./sending.js";

self.addEventListener("sync", (event) => {
  event.waitUntil(
    sendWaiting().then(({ end }) => {
      // A page that sends may be closed before it is through.
      if (end === LATER || end === ELSEWHERE) {
        // The browser tries again later only when this fails.
        throw new Error("not all was sent");
      }
    }),
  );
});
