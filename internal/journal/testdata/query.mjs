// Asks DuckDB, found under BOXD_DUCKDB (a node_modules folder), each question in
// turn and writes the rows of each answer as a line of JSON.
import { createRequire } from "node:module";

const { DuckDBInstance } = createRequire(process.env.BOXD_DUCKDB + "/")("@duckdb/node-api");
const db = await (await DuckDBInstance.create()).connect();
for (const question of process.argv.slice(2)) {
  console.log(JSON.stringify((await db.runAndReadAll(question)).getRowsJson()));
}
