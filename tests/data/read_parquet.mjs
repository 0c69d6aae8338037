// Reads a Parquet file with hyparquet (tests/data/hyparquet, MIT) and prints it as JSON: columns by
// name, rows as lists of cells. Numbers are printed as strings, fractions with as many
// digits as tell them from their neighbours, so that no reader of JSON rounds them.
import { readFileSync } from "node:fs";
import { parquetMetadata, parquetReadObjects } from "./hyparquet/src/index.js";

const bytes = readFileSync(process.argv[2]);
const file = bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength);
const metadata = parquetMetadata(file);
const columns = metadata.schema.slice(1).map((c) => ({ name: c.name, type: c.type }));
const objects = await parquetReadObjects({ file, metadata });
const cell = (v) => (v === undefined || v === null ? null : typeof v === "bigint" || typeof v === "number" ? v.toString() : v);
const rows = objects.map((o) => columns.map((c) => cell(o[c.name])));
process.stdout.write(JSON.stringify({ created_by: metadata.created_by, columns, rows }));
