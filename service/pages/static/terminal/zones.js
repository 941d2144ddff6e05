/** Instants by the clock of the site, whatever zone this device is set to. Instants in milliseconds since 1970. */

const spoken = globalThis.document?.documentElement.lang || "en";
// English with the day before the month, as the pages write it.
const language = spoken === "en" ? "en-GB" : spoken;

function parts(at, zone) {
  const format = new Intl.DateTimeFormat("en-CA", {
    timeZone: zone,
    hourCycle: "h23",
    year: "numeric",
    month: "2-digit",
    day: "2-digit",
    hour: "2-digit",
    minute: "2-digit",
    second: "2-digit",
  });
  return Object.fromEntries(format.formatToParts(at).map(({ type, value }) => [type, value]));
}

/** What a clock on the site's wall shows: 2026-03-02T06:15. */
export function wallOf(at, zone) {
  const { year, month, day, hour, minute } = parts(at, zone);
  return `${year}-${month}-${day}T${hour}:${minute}`;
}

/** When the site's clock shows this; of two such times in autumn the first, of an hour left out in spring what follows. */
export function instantOf(wall, zone) {
  const asUtc = Date.parse(`${wall}:00Z`);
  if (Number.isNaN(asUtc)) {
    return null;
  }
  const candidates = [-86_400_000, 86_400_000].map((near) => asUtc - offset(asUtc + near, zone));
  const right = candidates.filter((at) => wallOf(at, zone) === wall);
  return right.length ? Math.min(...right) : Math.max(...candidates);
}

function offset(at, zone) {
  const { year, month, day, hour, minute, second } = parts(at, zone);
  return Date.UTC(year, month - 1, day, hour, minute, second) - Math.floor(at / 1000) * 1000;
}

/** 06:15, with the day before it when it is not today's. */
export function clock(at, zone, now = Date.now()) {
  const isToday = wallOf(at, zone).slice(0, 10) === wallOf(now, zone).slice(0, 10);
  const day = isToday ? {} : { weekday: "short", day: "numeric", month: "short" };
  const format = { timeZone: zone, hour: "2-digit", minute: "2-digit", hourCycle: "h23", ...day };
  return new Intl.DateTimeFormat(language, format).format(at);
}

/** A length of time as it is said: 45 min, 6 h 20 min, 3 d 4 h. */
export function lasting(ms) {
  const minutes = Math.max(0, Math.floor(ms / 60_000));
  const [days, hours, rest] = [Math.floor(minutes / 1440), Math.floor((minutes % 1440) / 60), minutes % 60];
  const said = (value, unit) =>
    new Intl.NumberFormat(language, { style: "unit", unit, unitDisplay: "short" }).format(value);
  if (days) {
    return `${said(days, "day")} ${said(hours, "hour")}`;
  }
  return hours ? `${said(hours, "hour")} ${said(rest, "minute")}` : said(rest, "minute");
}

/** A running clock: 0:04:31. */
export function running(ms) {
  const seconds = Math.max(0, Math.floor(ms / 1000));
  const two = (value) => String(value).padStart(2, "0");
  return `${Math.floor(seconds / 3600)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
}
