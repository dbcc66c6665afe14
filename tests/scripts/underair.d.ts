// What the pages' scripts share, and the shape of what the server sends them, for `tsc --checkJs` (tests/scripts).
// A field that a painter reads must be here, and here with the name that the server gives it.

type Attributes = Record<string, any>;
type Span = [number, number];

interface LiveStrip {
  from: number; start: number; started_bar: number; last: [number, number]; low: number; silent: number | null;
  fan: [number, number, number, number][];
  turn_back: [number, number, number] | null; turn_back_bar: number | null; turned: number | null;
  low_air: [number, number, number] | null;
}
interface LiveFields {
  service?: string; set_id?: string; wearer_id?: string; team?: string; task?: string; incident_id?: string; inside?: boolean;
}
interface LiveRow {
  key: string; a: string; incident: string | null; incidents: string[]; silent: boolean; over: boolean; strip: LiveStrip | null; fields: LiveFields;
  state: string; why: string; who: string; team: string; sub: string; place: string; turn: string; turn_range: string; turn_bar: string;
  low: string; low_range: string; low_what: string; air: string; air_sub: string; entry: string; entered: string; inside: string;
  out_by: string; aside: string; soon: string; hardest: string;
  tally?: string | null; gauge?: string | null; aside_gauge?: string; // identities that a correction names; none in a bare row
}
interface LiveAlarm {
  key: string; a: string; alarm: string; code: string; who: string; team: string; age: string; state: string; row: string;
  raised: number; new: boolean; grave: boolean; ended: boolean; sound: string | null; incident?: string; service?: string;
  set_id: string; note?: string; several?: LiveFields[];
}
interface LiveOrder {
  key: string; service: string; text: string; who: string; incident: string; order: string; team: string | null; set_id: string | null;
  late: boolean; new: boolean; own: boolean; sound: string | null; waiting: string[];
}
interface RollAnswer { key: string; who: string; name: string; what: "wearer_id" | "team"; state: string; code: string; }
interface LiveRoll { key: string; incident: string; service: string; roll_id: string; text: string; answers: RollAnswer[]; new?: boolean; }
interface LiveTeam { key: string; a: string; name: string; team: string; left: string; known: boolean; members: string; incident: string; }
interface LiveOut {
  key: string; text: string; incident?: string; row?: string; who: string; ended_how: string; ended_by: string | null; fields: LiveFields;
}
interface LiveChoice { id: string; text: string; }
interface LivePicture {
  ready: boolean; token: string; banner: string; clock: string; now: number; from: number; offset_s: number; ahead_s: number; top: number;
  summary: Record<string, string[]>; incident: string; desk: string; system: { text: string; bad: boolean }[];
  rows: LiveRow[]; nobody: string; forecast: string; alarms: LiveAlarm[]; no_alarms: string; teams: LiveTeam[];
  prompts: { key: string; text: string; age: string; service: string; incident?: string; row?: string; set_id?: string }[];
  notes: { key: string; at: string; about: string; text: string; incident?: string; row?: string }[];
  out: LiveOut[];
  orders: LiveOrder[]; rolls: LiveRoll[]; contradictions: { key: string; text: string; incident?: string; row?: string }[];
  incidents: LiveChoice[]; incidents_of: Record<string, string[]>; services: string[]; sets: string[]; heard: string[];
}
interface LiveState {
  words: Record<string, any>; parts: Record<string, any>; token: string; data: LivePicture | null;
  lines: Record<string, [number, number][]>; announced: Set<string>; seenHere: Map<string, number>; at: string | null; broken: boolean; signedOut: boolean; sessionEnds: number;
  goodAt: number; goodWall: number; goodClock: string; linesAt: number; soon: (() => void) | null;
  missed: { gaps: string[]; alarms: Map<string, string> } | null;
}

interface ReviewFinding {
  id: string; severity: string; code: string; who: string; when: string; sign: string; statement: string; looked: string[];
  at?: number; window?: Span; person?: string;
}
interface ReviewView {
  incident: string; window: Span; whole: Span; people: string[]; everybody: string[]; lanes: string[]; allLanes: string[];
  most: number; units: string; zone: string; zoneName: string; changes: boolean; px: number; overlay: boolean; at: number | null;
  token: string; words: Record<string, any>; findings: ReviewFinding[];
}
type ListingCell = string | { t: string; v?: string | number; href?: string; jump?: object };

interface Underair {
  // elements.js
  make(tag: string, attributes?: Attributes, ...children: (Node | string)[]): any;
  element(tag: string, properties?: Record<string, any>, ...children: (Node | string)[]): any;
  endAfter(milliseconds: number): AbortSignal;
  text(element: Element, value: string): void;
  attribute(element: Element, name: string, value: any): void;
  fill(template: string, values: Record<string, any>): string;
  few(names: string[], template: string): string;
  keyed<T>(parent: any, items: T[], create: (item: T) => any, update: (element: any, item: T) => void): void;
  options(select: any, items: LiveChoice[]): void;
  // live.js and its painters
  settling(change: () => void): void;
  underHand(list: any): any; handOn(list: any, handMs?: number): boolean;
  steady(list: any, items: any[], handMs?: number, longestMs?: number): any[];
  state: LiveState;
  shape(attention: string): SVGElement;
  reshape(icon: any, attention: string): void;
  scale: { top: number; width: number; height: number; from: number; now: number; perSecond: number; version: number };
  rescale(data: Pick<LivePicture, "now" | "from" | "ahead_s" | "top">, width: number, height: number): void;
  at(moment: number): number;
  strip: { make(): any; paint(root: any, strip: LiveStrip | null, key: string, grid: string): void };
  patterns(): SVGElement;
  list: { build(words: any): { section: HTMLElement; hold: HTMLElement }; paint(data: LivePicture): void };
  side: {
    build(words: any): HTMLElement; paint(data: LivePicture): void; see(item: any): void; gauge(item: any, shown: string): Promise<boolean>;
    tallyForm(buttons: Element[], after?: () => void, row?: LiveRow | null): any;
  };
  desk: {
    build(words: any): HTMLElement; paint(data: LivePicture): void; incident(): string; serviceLabel?: any; whichLabel?: any;
    send(kind: string, fields: Record<string, any>, what: string): Promise<boolean>;
    form(kind: string, fields: any[], buttons: any[], what: {
      describe(values: any): string; doubtOf?(values: any): string; complete?(values: any, pressed?: string): any; after?(): void;
    }): any;
    correcting(identity: string): { desk_id: string; boot: number; seq: number };
    emptying(form: HTMLFormElement): () => void;
    field(name: string, label: string, attributes?: Attributes): any; button(label: string, value?: string, attributes?: Attributes): any;
  };
  orders: {
    build(words: any): Element[]; form(words: any): Element; standbyForm(words: any): Element; whom?: any;
    paint(data: LivePicture, shown: <T extends { incident?: string; row?: string }>(items: T[]) => T[]): void;
  };
  actions: { build(words: any): HTMLElement; open(item: LiveRow, row: Element): void; paint(data: LivePicture): void };
  sound: { build(words: any): HTMLElement; paint(data: LivePicture): void };
  choices: { build(words: any, changed: () => void): HTMLElement[]; chosen(name: string): string; query(): string };
  filter: { build(words: any, changed: () => void): HTMLElement; chosen(): string; urgent(attention: string): boolean; shows(incidents: string | string[] | null | undefined): boolean; paint(data: LivePicture): void };
  // review.js and its parts
  windows: {
    within(from: number, to: number, whole: Span): Span; zoomed(window: Span, at: number | null, factor: number): Span;
    moved(window: Span, share: number): Span; around(middle: number, lengthMs: number): Span; covers(window: Span, whole: Span): boolean;
    momentAt(px: number, axis: { left: number; width: number }, window: Span): number | null; shareOf(at: number, window: Span): number;
    query(parts: Record<string, any>): URLSearchParams; written(at: number, zone: string, changes: boolean): string;
  };
  bench: {
    view: ReviewView | null; begin(view: ReviewView): void; say(text: string): void; fit(): void; isWhole(): boolean; again(): void;
    query(extra?: Record<string, any>): URLSearchParams; atOf(): { at?: string }; keepInAddress(): void; zoom(factor: number): void;
    setWindow(from: number, to: number, alsoPicture?: boolean): void; togglePerson(key: string): void; split(text: string): [string, string];
    set(name: string, value: string): void; jump(to: { at?: number; person?: string; window?: Span }): void;
  };
  cursor: {
    axisOf(gd: any): { left: number; width: number; top: number; height: number } | null; lanesPlot(): any; overviewPlot(): any;
    drawnWindow(): Span; timeAt(gd: any, clientX: number, window: Span): number | null; place(text?: string): void; frameWindow(): void;
    set(at: number, alsoMessages?: boolean): void; listen(): void;
  };
  moment: { fetched(address: string): Promise<any>; ask(): Promise<void>; showMessages(address: string): Promise<void> };
  pointer: { begin(): void };
  notes: { send(fields: Record<string, any>, told: HTMLElement): Promise<void>; begin(bench: Underair["bench"]): void; withdraw(identity: string, text: string): void };
  findings: { begin(view: ReviewView, open: (finding: ReviewFinding) => void): void };
  listing: { chosen(rows: ListingCell[][], wanted: string, order: { column: number; down: boolean } | null): ListingCell[][] };
}

interface Window {
  underair: Underair;
  Plotly: any; // plotly brings no types of its own here
  dash_clientside: { set_props(id: string, props: object): void };
}
// The pages are made by Python: which element a selector finds, TypeScript cannot know.
interface Document {
  querySelector(selectors: string): any;
  querySelectorAll(selectors: string): any[] & NodeListOf<any>;
  getElementById(id: string): any;
}
interface Element {
  querySelector(selectors: string): any;
}
interface EventTarget {
  closest?(selectors: string): any;
}
