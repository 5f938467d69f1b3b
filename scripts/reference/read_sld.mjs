// Reads every style of a folder with an independent reader of SLD and tells whether it finds all rules.
//
//     npm install --prefix target/sld geostyler-sld-parser@9
//     node scripts/reference/read_sld.mjs target/sld OUT/styles
import fs from "node:fs";
import path from "node:path";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const [home, styles] = process.argv.slice(2);
const require = createRequire(pathToFileURL(path.resolve(home, "package.json")));
const { SldStyleParser } = await import(pathToFileURL(require.resolve("geostyler-sld-parser")).href);

let wrong = 0;
for (const name of fs.readdirSync(styles).filter((name) => name.endsWith(".sld")).sort()) {
  const text = fs.readFileSync(path.join(styles, name), "utf8");
  const { output, errors = [] } = await new SldStyleParser({ sldVersion: "1.0.0" }).readStyle(text);
  const read = output?.rules ?? [];
  const written = (text.match(/<(sld:)?Rule>/g) ?? []).length;
  const drawn = read.every((rule) => rule.symbolizers.length > 0);
  if (errors.length > 0 || read.length !== written || !drawn) {
    wrong += 1;
  }
  console.log(name, `${read.length} of ${written} rules`, errors.map((error) => error.message).join("; "));
}
process.exit(wrong > 0 ? 1 : 0);
