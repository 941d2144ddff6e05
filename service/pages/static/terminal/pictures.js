/** Pictures of causes and of what became of a part: strokes on a field of 48 by 48. */

const SVG = "http://www.w3.org/2000/svg";

const STROKES = {
  nozzle_worn: "M10 8h28l-8 20-3-3-2 7-3-5-3 5-1-6zM24 38v4",
  nozzle_off_centre: "M24 7a17 17 0 1 0 .1 0M31 27a3 3 0 1 0 .1 0M24 19v10M19 24h10",
  protective_window: "M24 12c11 0 19 5 19 12s-8 12-19 12S5 31 5 24s8-12 19-12M18 21l2 2M28 26l3 2M23 30l1 1M29 19l1-1",
  focus_shift: "M8 6l16 22L40 6M24 28l-6 9M24 28l6 9M4 42h40",
  gas_pressure: "M7 36a18 18 0 1 1 34 0M24 32l9-12M24 32h.1M14 20l2 2M24 15v3",
  gas_purity: "M16 44V20c0-5 5-5 5-10V4h6v6c0 5 5 5 5 10v24zM16 28h16M22 35h.1M27 38h.1",
  plate_surface: "M4 22l5-6 5 6 5-6 5 6 5-6 5 6 5-6 5 6M4 22v14h40V22",
  plate_chemistry: "M18 5h12M21 5v13L9 42h30L27 18V5M15 31h18",
  plate_not_flat: "M4 28q20-24 40 0M4 36q20-24 40 0M4 28v8M44 28v8",
  plate_hot: "M4 40h40M13 33q-5-6 0-12t0-13M24 33q-5-6 0-12t0-13M35 33q-5-6 0-12t0-13",
  near_old_cut_edge: "M4 10h14v10h9V10h17v30H4zM33 26a5 5 0 1 0 .1 0M27 24l-3 2",
  wrong_settings: "M12 5v38M24 5v38M36 5v38M7 15h10M19 31h10M31 11h10",
  wrong_plate: "M5 13h38v22H5zM17 17l14 14M31 17L17 31",
  program_or_lead_in: "M16 10h26v28H16zM16 24L5 34M5 34h7M5 34v-7",
  sequence: "M6 14h28M28 8l6 6-6 6M42 34H14M20 28l-6 6 6 6",
  slats: "M4 12h40M8 42V24l3-6 3 6v18M21 42V24l3-6 3 6v18M34 42V24l3-6 3 6v18",
  height_sensing: "M14 5h20l-6 14h-8zM24 24v14M20 28l4-4 4 4M20 34l4 4 4-4M4 43h40",
  machine_fault: "M24 6l21 36H3zM24 18v12M24 36h.1",
  handling: "M24 4v12M24 16c6 0 10 5 10 11s-5 10-11 10-9-4-9-8M8 44h32",
  drawing_or_order: "M11 4h18l9 9v31H11zM29 4v9h9M17 22h14M17 29h14M17 36h8",
  other: "M11 24h.1M24 24h.1M37 24h.1",
  rework: "M8 40l10-10M16 22l10 10M20 18l10 10 12-12L32 6z",
  scrap: "M8 14h32M18 14V7h12v7M12 14l3 29h18l3-29M21 22l6 12M27 22l-6 12",
  lost: "M4 20h16l-4 8h-12M44 20H27l-4 8h21M24 6v6M24 36v6",
  pierce: "M4 22h14v10q6 6 12 0V22h14v20H4zM24 5v19M19 19l5 5 5-5",
  good: "M8 25l11 11L40 12",
};

/** The picture of a word, for people who see: its word stands beside it. */
export function picture(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 48 48");
  svg.setAttribute("class", "sign");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", STROKES[name] ?? STROKES.other);
  svg.append(path);
  return svg;
}
