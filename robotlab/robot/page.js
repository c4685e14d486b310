// The live page.  A press begins only with a question of the robot that is fresh; while it lasts every further question
// is answered; whatever may hide a release counts as one.
"use strict";
(function () {
  const at = (id) => document.getElementById(id), hold = at("hold"), state = at("state"), eye = at("eye"), pen = eye.getContext("2d");
  // An act or a question older than this is old news, ms: a page may have been asleep.
  const FRESH = 250;
  const DOES = {wait: "waiting", follow: "following", hold: "holding the last command", slow: "slowing down", search: "searching", stop: "stopped", fault: "fault: stopped"};
  let line = null, ask = null, askedAt = -Infinity, pressed = null, pressedAt = 0, words = null, over = "", refused = "", leaving = false;

  // Only what is new, or a screen reader would say it twenty times a second.
  function put(id, text) {
    if (at(id).textContent !== text) at(id).textContent = text;
  }
  function say(message) {
    if (line && line.readyState === WebSocket.OPEN) line.send(JSON.stringify(message));
  }
  function press(by, event) {
    refused = "";
    const now = performance.now();
    if (pressed || !event.isTrusted || now - event.timeStamp > FRESH || now - askedAt > FRESH || document.hidden) return;
    pressed = by;
    pressedAt = now;
    hold.classList.add("held");
    say({do: "press", ask});
  }
  function letGo() {
    if (!pressed) return;
    pressed = null;
    hold.classList.remove("held");
    say({do: "go"});
  }
  function stop() {
    letGo();
    say({do: "stop"});
  }

  hold.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || !event.isPrimary) return;
    press("pointer", event);
    if (pressed === "pointer") hold.setPointerCapture(event.pointerId);
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) hold.addEventListener(name, () => pressed === "pointer" && letGo());
  window.addEventListener("pointerup", () => pressed === "pointer" && letGo());
  window.addEventListener("keydown", (event) => {
    if (event.key === "Escape") stop();
    if (event.key !== " " || event.target === at("stop")) return;
    event.preventDefault();
    if (!event.repeat) press("key", event);
  });
  window.addEventListener("keyup", (event) => {
    if (event.key !== " " || event.target === at("stop")) return;
    event.preventDefault();
    if (pressed === "key") letGo();
  });
  for (const name of ["blur", "pagehide", "freeze", "contextmenu"]) window.addEventListener(name, letGo);
  document.addEventListener("visibilitychange", letGo);
  window.addEventListener("pagehide", () => { leaving = true; if (line) line.close(); });
  at("stop").addEventListener("click", stop);

  function show(news) {
    over = news.over;
    const other = news.held && !news.yours;
    hold.disabled = Boolean(over) || other || news.state !== "ready";
    put("hold", news.yours ? "Driving: let go to stop" : "Hold to drive");
    if (pressed && !news.yours && performance.now() - pressedAt > 2 * FRESH) refused = "the connection is too slow: let go and press again";
    if (hold.disabled || refused) letGo();
    const ended = over || (news.state === "ready" ? "" : "Stopping.");
    state.className = ended ? "ends" : news.held ? "drives" : "stands";
    put("state", ended ? `Over: ${ended}` : news.yours ? "Driving, held here" : other ? "Driving, held on another page"
      : refused ? `Stands: ${refused}` : "Stands. Hold to drive.");
    put("v", `${news.v.toFixed(2)} m/s`);
    put("yaw", `${news.yaw.toFixed(2)} rad/s ${news.yaw > 0.005 ? "left" : news.yaw < -0.005 ? "right" : ""}`);
    put("battery", news.battery === null ? "not given" : `${news.battery.toFixed(2)} V`);
    put("watchers", String(news.watchers));
  }
  function box(corners, z, color, dash, width) {
    const [x0, y0, x1, y1] = corners.map((value) => value * z);
    pen.setLineDash(dash);
    for (const [style, w] of [["#000000b0", width + 2], [color, width]]) {
      pen.strokeStyle = style;
      pen.lineWidth = w;
      pen.strokeRect(x0, y0, x1 - x0, y1 - y0);
    }
  }
  async function draw(data, seen) {
    try {
      const picture = await createImageBitmap(new Blob([data], {type: "image/jpeg"}));
      const z = Math.max(1, 640 / seen.size[0]);
      if (eye.width !== Math.round(seen.size[0] * z)) {
        eye.width = Math.round(seen.size[0] * z);
        eye.height = Math.round(seen.size[1] * z);
      }
      pen.drawImage(picture, 0, 0, eye.width, eye.height);
      picture.close();
      for (const one of seen.found) box(one, z, "#cc79a7", [2, 3], 2);
      if (seen.box) box(seen.box, z, "#f0e442", [], 3);
      put("does", DOES[seen.does] || seen.does);
      put("distance", seen.distance === null ? "not seen" : `${seen.distance.toFixed(2)} m away`);
      put("frame", seen.frame_ms === null ? "–" : `${seen.frame_ms.toFixed(1)} ms (${(1000 / seen.frame_ms).toFixed(0)} a second)`);
      put("age", `${seen.age_ms.toFixed(0)} ms`);
    } finally {
      // The next one comes only now, so a slow page gets fewer.
      say({do: "seen"});
    }
  }

  function connect() {
    line = new WebSocket(`ws://${location.host}${location.pathname}live`);
    line.binaryType = "arraybuffer";
    line.onmessage = (event) => {
      if (typeof event.data !== "string") {
        draw(event.data, words);
        return;
      }
      const news = JSON.parse(event.data);
      if (news.refused !== undefined) {
        refused = news.refused;
        letGo();
      } else if (news.ask !== undefined) {
        ask = news.ask;
        askedAt = performance.now();
        if (pressed) say({do: "hold", ask});
        show(news);
      } else {
        words = news;
      }
    };
    line.onclose = () => {
      letGo();
      ask = null;
      askedAt = -Infinity;
      hold.disabled = true;
      hold.textContent = "Hold to drive";
      state.className = "ends";
      state.textContent = over ? `Over: ${over}` : "No connection: the robot ramps down and stands.";
      if (!leaving && !over) setTimeout(connect, 1000);
    };
  }
  connect();
})();
