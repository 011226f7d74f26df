// Receives alertd's webhooks with Node.js 18 or later, without packages.
//
//     node receive.js SECRET_FILE [PORT] [FOLDER]
//
// It verifies each request, answers at once, and stores each event once as FOLDER/HASH.json. FOLDER/latest-HASH.json is
// the newest plan of a trip, whatever the order of arrival. A plain body and a CloudEvent are both taken.
"use strict";
const crypto = require("node:crypto");
const fs = require("node:fs");
const http = require("node:http");
const path = require("node:path");

const TOLERANCE_S = 300;
const MAX_BYTES = 64 * 1024;

/** Whether one of the secrets ("whsec_...") signed these bytes within five minutes. */
function isOurs(secrets, headers, body, nowS) {
  const id = headers["webhook-id"];
  const sent = headers["webhook-timestamp"];
  const given = headers["webhook-signature"];
  if (!id || !given || !/^\d+$/.test(sent || "")) return false;
  if (Math.abs(nowS - Number(sent)) > TOLERANCE_S) return false;
  return secrets.some((secret) => {
    const key = Buffer.from(secret.replace(/^whsec_/, ""), "base64");
    const right = crypto.createHmac("sha256", key).update(`${id}.${sent}.`).update(body).digest();
    return given.split(" ").some((one) => {
      if (!one.startsWith("v1,")) return false;
      const bytes = Buffer.from(one.slice(3), "base64");
      return bytes.length === right.length && crypto.timingSafeEqual(bytes, right);
    });
  });
}

/** The event of a body: that of a CloudEvent is its data. */
function eventOf(body) {
  const found = JSON.parse(body.toString("utf8"));
  return "specversion" in found ? found.data : found;
}

const hash = (text, n) => crypto.createHash("sha256").update(text).digest("hex").slice(0, n);

/** Stores an event. Returns false when it was stored before. */
function keep(folder, id, event) {
  try {
    fs.writeFileSync(path.join(folder, `${hash(id, 32)}.json`), JSON.stringify(event), { flag: "wx" });
  } catch (error) {
    if (error.code === "EEXIST") return false;
    throw error;
  }
  if (event.type === "trip.plan") {
    const latest = path.join(folder, `latest-${hash(event.data.plan.trip_id, 16)}.json`);
    const known = fs.existsSync(latest) ? JSON.parse(fs.readFileSync(latest, "utf8")).timestamp : "";
    // ISO 8601 in UTC, so text order is time order.
    if (event.timestamp >= known) fs.writeFileSync(latest, JSON.stringify(event));
  }
  return true;
}

function serve(secrets, port, folder) {
  const server = http.createServer((request, response) => {
    const answer = (status) => {
      response.writeHead(status, { "content-length": "0", connection: "close" });
      response.end();
    };
    const parts = [];
    let size = 0;
    request.on("data", (part) => {
      size += part.length;
      if (size <= MAX_BYTES) parts.push(part);
    });
    request.on("end", () => {
      const body = Buffer.concat(parts);
      if (request.method !== "POST") return answer(405);
      if (size > MAX_BYTES) return answer(413);
      if (!isOurs(secrets, request.headers, body, Date.now() / 1000)) return answer(401);
      try {
        const event = eventOf(body);
        const isNew = keep(folder, request.headers["webhook-id"], event);
        console.log(event.type, request.headers["webhook-id"], isNew ? "new" : "known");
      } catch (error) {
        return answer(422);
      }
      return answer(204);
    });
  });
  server.listen(port, "127.0.0.1", () => console.log(`listening on http://127.0.0.1:${server.address().port}/`));
}

if (require.main === module) {
  const [secretFile, port = "8700", folder = "received"] = process.argv.slice(2);
  if (!secretFile) {
    console.error("usage: node receive.js SECRET_FILE [PORT] [FOLDER]");
    process.exit(2);
  }
  fs.mkdirSync(folder, { recursive: true });
  serve(fs.readFileSync(secretFile, "utf8").trim().split(/\s+/), Number(port), folder);
}

module.exports = { isOurs, eventOf, keep };
