// The tour of ../go/main.go, with a client whose types are generated from the
// contract. It ends with an error at the first answer that is not what it should be:
//
//   SLABLEDGER_KEY=slk_… node built/tour.js http://127.0.0.1:8080 /path/to/the/repository
import { createHash, randomUUID } from "node:crypto";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { argv, env, exit } from "node:process";
import createClient from "openapi-fetch";
import type { components, paths } from "./slabledger.js";

type Comparison = components["schemas"]["ComparisonResponse"];
type ComparisonRequest = components["schemas"]["ComparisonRequest"];

const [address, repository] = argv.slice(2);
if (address === undefined || repository === undefined) {
  console.error("usage: tour ADDRESS REPOSITORY");
  exit(2);
}
const key = env["SLABLEDGER_KEY"];
const client = createClient<paths>({ baseUrl: address, headers: key ? { Authorization: `Bearer ${key}` } : {} });

/** The price that the tour gives to the cement of demo@1, there 0.124. */
const cement = "cement-cem-i", oldPrice = "0.124", newPrice = "0.1302", percent = "5";

function demand(holds: boolean, otherwise: string): asserts holds {
  if (!holds) throw new Error(otherwise);
}

/** The body of an answer of the status that is wanted. */
function body<T>(answer: { data?: T; error?: unknown; response: Response }, status = 200): T {
  demand(answer.response.status === status && answer.data !== undefined, `status ${answer.response.status}, not ${status}: ${JSON.stringify(answer.error)}`);
  return answer.data;
}

function header(response: Response, name: string): string {
  const value = response.headers.get(name);
  demand(value !== null, `no header ${name}`);
  return value;
}

function read(path: string): string {
  return readFileSync(join(repository!, path), "utf8");
}

/** Prints a line, which the README must show. */
function inReadme(line: string): void {
  demand(read("README.md").includes(`\n${line}\n`), `README.md does not show ${JSON.stringify(line)}`);
  console.log(line);
}

/** Sends a comparison; the answer as its bytes and as a value. */
async function compare(request: ComparisonRequest): Promise<{ bytes: Buffer; value: Comparison }> {
  const bytes = Buffer.from(body(await client.POST("/v1/comparisons", { body: request, parseAs: "arrayBuffer" })));
  return { bytes, value: JSON.parse(bytes.toString()) };
}

/** The comparison of the README, whose figures the README shows. */
async function compareAsReadme() {
  const list = body(await client.GET("/v1/inventories"));
  demand(list.inventories.some((i) => i.slug === "demo"), "no demo region");
  const answer = await compare(JSON.parse(read("testdata/demo/comparison.json")));
  for (const a of answer.value.alternatives) {
    inReadme(`${a.name}: ${a.cost?.net_present_value_per_m2} EUR/m2, ${a.carbon.total_kg_co2e_per_m2} kg CO2e/m2`);
  }
  return answer;
}

/** Drafts from demo@1, changes a price, reads the difference and publishes, as if the first answer had been lost. */
async function changeAPrice(): Promise<{ ref: string; requestID: string }> {
  const created = await client.POST("/v1/inventories/{slug}/drafts", {
    params: { path: { slug: "demo" }, header: { "Idempotency-Key": randomUUID() } },
    body: { from: "demo@1" },
  });
  const draft = body(created, 201).id;
  const revision = header(created.response, "ETag");
  const patch = () => client.PATCH("/v1/inventories/{slug}/drafts/{draft}/items/{code}", {
    params: { path: { slug: "demo", draft, code: cement }, header: { "If-Match": revision } },
    body: { price: { amount: newPrice } },
  });
  const patched = await patch();
  body(patched);
  // Who has not seen this change cannot write over it.
  const stale = await patch();
  demand(stale.response.status === 412 && stale.error?.status === 412, `a stale change: ${stale.response.status}`);

  const diff = body(await client.GET("/v1/inventories/{slug}/drafts/{draft}/diff", {
    params: { path: { slug: "demo", draft }, query: { against: 1 } },
  }));
  const changes = diff.changed.flatMap((c) => c.fields.map((f) => `${c.item} ${f.column} ${f.before} ${f.after} ${f.percent}`));
  demand(diff.added.length + diff.removed.length === 0 && changes.join() === `${cement} price ${oldPrice} ${newPrice} ${percent}`, JSON.stringify(diff));
  console.log(`draft ${draft}: price of ${cement} from ${oldPrice} to ${newPrice}, ${percent} %`);

  const name = randomUUID();
  const publish = () => client.POST("/v1/inventories/{slug}/drafts/{draft}/publication", {
    params: { path: { slug: "demo", draft }, header: { "Idempotency-Key": name, "If-Match": header(patched.response, "ETag") } },
    body: { note: "offer to the TypeScript client" },
  });
  const first = await publish(), second = await publish();
  const version = body(first, 201);
  demand(body(second, 201).number === version.number && header(second.response, "Idempotent-Replayed") === "true", "published twice");
  console.log(`published demo@${version.number}, hash ${version.hash}`);
  return { ref: `demo@${version.number}`, requestID: header(first.response, "X-Request-Id") };
}

/** The new price is in the newest version, and the old one in demo@1. */
async function history(newest: string): Promise<void> {
  const found = body(await client.GET("/v1/inventories/{slug}/items/{code}/history", { params: { path: { slug: "demo", code: cement } } }));
  const prices = new Map(found.versions.map((v) => [v.ref, v.item?.price?.amount]));
  demand(prices.get("demo@1") === oldPrice && prices.get(newest) === newPrice, JSON.stringify([...prices]));
  console.log(`history of ${cement}: ${prices.size} versions, ${oldPrice} in demo@1, ${newPrice} in ${newest}`);
}

/** The plain slab of the README's second comparison, sized by itself, is as thick as there. */
async function thickness(): Promise<void> {
  const study: ComparisonRequest = JSON.parse(read("testdata/scenarios/sized.json"));
  const slab = (await compare(study)).value.alternatives[0];
  const design = study.alternatives[0]?.slab?.thickness;
  demand(slab !== undefined && typeof design === "object" && design.method !== undefined && design.traffic !== undefined
    && design.soil !== undefined && design.strength !== undefined, "no design to size a slab by");
  inReadme(`${slab.name}: ${slab.thickness_mm} mm, ${slab.thickness_design?.governs} governs, ${slab.carbon.total_kg_co2e_per_m2} kg CO2e/m2`);
  const { method, ...asked } = design;
  const sized = body(await client.POST("/v1/thickness", {
    body: { ...asked, methods: [method], traffic: design.traffic, soil: design.soil, strength: design.strength },
  }));
  demand(sized.results[0]?.thickness_mm === slab.thickness_mm, `${sized.results[0]?.thickness_mm} mm, not ${slab.thickness_mm}`);
}

/** The plain mix, checked by itself, has the masses that the comparison has. */
async function mix(compared: Comparison): Promise<void> {
  const study: ComparisonRequest = JSON.parse(read("testdata/demo/comparison.json"));
  const plain = study.alternatives[0]?.mix, there = compared.alternatives[0]?.mix;
  demand(plain !== undefined && there !== undefined, "no plain mix");
  const checked = body(await client.POST("/v1/mixes/check", { body: { inventory: study.inventory, mix: plain } }));
  demand(typeof checked !== "string", "a page for print, which was not asked for");
  const masses = (m: typeof there) => m.constituents.map((c) => `${c.item} ${c.mass_kg_per_m3}`).join(", ");
  demand(checked.mix.constituents.length === 5 && masses(checked.mix) === masses(there), masses(checked.mix));
  console.log(`mix check: ${masses(checked.mix)} kg/m3`);
}

/** The publication is in the journal under the id of its request; read page by page. */
async function journal(published: { ref: string; requestID: string }): Promise<void> {
  let cursor: string | null | undefined;
  for (let pages = 1; cursor !== null; pages++) {
    const page = body(await client.GET("/v1/journal", { params: { query: { limit: 2, ...(cursor ? { cursor } : {}) } } }));
    const entry = page.entries.find((e) => e.target === published.ref && e.request_id === published.requestID);
    if (entry !== undefined) {
      console.log(`journal: entry ${entry.number}, page ${pages}: ${entry.action} ${entry.target} by ${entry.actor}`);
      return;
    }
    cursor = page.links.next === undefined ? null : new URL(page.links.next, address).searchParams.get("cursor");
  }
  throw new Error(`no entry of ${published.ref} under request ${published.requestID}`);
}

async function walk(): Promise<void> {
  const before = await compareAsReadme();
  const published = await changeAPrice();
  const again = await compareAsReadme();
  demand(again.bytes.equals(before.bytes), "the comparison with demo@1 is not what it was");
  console.log(`the comparison with demo@1 again: the same ${again.bytes.length} bytes, SHA-256 ${createHash("sha256").update(again.bytes).digest("hex")}`);

  const request: ComparisonRequest = JSON.parse(read("testdata/demo/comparison.json"));
  const now = (await compare({ ...request, inventory: published.ref })).value.alternatives[0], was = before.value.alternatives[0];
  demand(now?.cost?.initial_per_m2 !== was?.cost?.initial_per_m2 && now?.carbon.total_kg_co2e_per_m2 === was?.carbon.total_kg_co2e_per_m2, "a price alone changed");
  console.log(`with ${published.ref}: ${now?.name} costs ${now?.cost?.initial_per_m2} EUR/m2 now, not ${was?.cost?.initial_per_m2}`);

  await history(published.ref);
  await thickness();
  await mix(before.value);
  await journal(published);
}

try {
  await walk();
} catch (problem) {
  console.error("TypeScript client:", problem);
  exit(1);
}
