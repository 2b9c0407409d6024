/** What the server answers, as far as the page reads it; the whole is described by /api/openapi.json. */

export type LonLat = [number, number];
export type Box = [west: number, south: number, east: number, north: number];
export type Geometry = { type: string; coordinates: any }; // depth by type
export type Feature<P = Record<string, any>> = { type: "Feature"; properties: P; geometry: Geometry };
export type Collection<P = Record<string, any>> = { type: "FeatureCollection"; features: Feature<P>[] };
export type Range = { p10: number; p50: number; p90: number };

export interface Place {
  id: string;
  name: string;
  demo: boolean;
  bounds: Box;
  cell_m: number;
  width_m: number;
  height_m: number;
  crs: string;
  files: string[];
  notes: string[];
  minzoom: number;
  maxzoom: number;
}

export interface Demo {
  id: string;
  name: string;
  seed: number;
  at: string;
  radius_m: number;
  size: number;
  strip_width_m: number;
  searchers: number;
}

export interface Curve {
  name: string;
  title: string;
  source: string;
  confidence: string;
  percent: (number | null)[]; // by minute
}

export interface Survival {
  default: string;
  curves: Curve[];
}

export interface Palette {
  snow: { release: string; path: string; corridor: string; dashes: Record<string, number[]> };
  debris: { levels: number[]; ramp: string[]; opacity: number; outline: string };
  thickness: { levels_m: number[]; ramp: string[] };
  person: { line: string; light: string; dashes: Record<string, number[]> };
  lanes: { colour: string; casing: string; approach: number[]; uncovered: string; dashes: number[][] };
  traps: { colour: string; signs: Record<string, { letter: string; hatch: string }> };
}

export interface State {
  version: string;
  folder: string;
  caution: { short: string; full: string };
  palette: Palette;
  places: Place[];
  demos: Demo[];
  friction: Record<number, [number, number, number]>;
  survival: Survival;
  strip_width_m: { least: number; most: number; default: number };
  limits: { upload_bytes: number; corners: number };
}

export interface PlanRow {
  id: string;
  name: string;
  made: number;
  searchable: boolean;
}

export interface Zone {
  number: number;
  place: string;
  poa: number;
  reason: string;
}

export interface Burial {
  fully: number;
  fully_words: string;
  basis: string;
}

export interface Numbers {
  name: string;
  model: { name: string; reason: string } | null;
  scenario: { snow: { size: number } };
  release: { volume_m3: number } | null;
  runout: { length_m: Range; travel_angle_deg: Range } | null;
  debris: { area_m2: number; level: number | null; whole?: boolean };
  persons?: { left_model_share: number } | null;
  poa: { inside_debris: number; outside_debris: number; burial: Burial | null } | null;
  zones: Zone[];
  notes: string[];
}

/** The question of a plan; release and debris are not part of it. */
export interface Question {
  place: string;
  name: string;
  seed: number;
  last_seen: { at: string; crs: string | null; radius_m: number };
  snow: { size: number; slab_thickness_m: number | null; model: string | null; friction: number[] | null };
  search: {
    strip_width_m: number;
    searchers: number;
    pattern: string | null;
    entry: string | null;
    start: string | null;
  };
}

export interface Plan {
  id: string;
  asked: Question | null;
  numbers: Numbers;
}

export interface PlanFile {
  name: string;
  bytes: number;
}

export interface Job {
  id: string;
  plan: string;
  state: "waiting" | "running" | "done" | "failed" | "cancelled";
  stage: string;
  share: number;
  elapsed_s: number;
  left_s: number | null;
  error: string | null;
}

export interface Point {
  lon: number;
  lat: number;
  lonlat: string;
  utm: string | null;
  mgrs: string | null;
  height_m: number | null;
  slope_deg: number | null;
}

export interface Crossing {
  from_m: number;
  to_m: number;
  kind: string;
  place: string;
  letter: string;
  number: number;
}

export interface Profile {
  d_m: number[];
  z_m: (number | null)[];
  lonlat: LonLat[];
  thickness_m?: (number | null)[]; // mean
  thick_m?: (number | null)[]; // 90th percentile
  traps: Crossing[];
  zones: Crossing[];
  last_seen_m: number | null;
}

export interface Lane {
  number: number;
  searcher: number;
}

export interface Leg {
  searcher: number;
  kind: "approach" | "join" | "lane";
  lane: number | null;
  time_s: number;
  reason: string;
}

export interface Layout {
  strip_width_m: number;
  searchers: number;
  way: string;
  coverage: number;
  uncovered_m2: number;
  coverage_words: string;
  search_time_s: number;
  total_time_s: number;
  each: { searcher: number; walk_m: number; time_s: number }[];
  notes: string[];
  covered: [seconds: number, debris: number, poa: number | null][];
  lanes: Collection<Lane>;
  route: Collection<Leg>;
  uncovered: Collection;
}

export interface Trap {
  number: number;
  letter: string;
  kind: string;
  consequences: string;
  reason: string;
  shares: string;
}
