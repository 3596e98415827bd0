//! How fast a table's dates are checked, beside only reading the table with the
//! `csv` crate and beside Python's `dateutil` and `dateparser` over the same
//! values.
//!
//!     cargo bench --bench check_dates -- [ROWS] [--python PYTHON]
//!
//! ROWS is a million by default. PYTHON is an interpreter that has the two
//! packages (`pip install python-dateutil dateparser`); without it only the Rust
//! figures are given. `dateparser` is slow, so it gets the first 20,000 values.
//! Both Python libraries read one form they can read for each value; what they
//! make of it is counted, not judged. Peak memory is that of this process, which
//! writes the table to disk first and holds none of it.

use glassine::checking::batch::{BatchOptions, run};
use glassine::parsing::dates::{DateRules, parse_one};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::time::Instant;

const MONTHS: [&str; 12] =
    ["January", "Feb.", "March", "Apr", "May", "June", "July", "Aug.", "Sept.", "October", "Nov", "December"];
const ROMAN: [&str; 12] = ["I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"];

/// A made-up date in one of the forms of tables, from a fixed sequence.
fn value(i: u64) -> String {
    let mut x = i.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mut next = |n: u64| {
        x ^= x << 13;
        x ^= x >> 7;
        x ^= x << 17;
        x % n
    };
    let (year, month, day) = (1880 + next(140), next(12) as usize, 1 + next(28));
    match next(10) {
        0..=3 => format!("{year}-{:02}-{day:02}", month + 1),
        4 => format!("{day} {} {year}", MONTHS[month]),
        5 => format!("{} {day}, {year}", MONTHS[month]),
        6 => format!("{day}.{}.{year}", ROMAN[month]),
        7 => format!("{}/{day}/{year}", month + 1),
        8 => format!("{day}-{}-{:02}", ROMAN[month], year % 100),
        _ => format!("{} {year}", MONTHS[month]),
    }
}

fn write_table(path: &Path, rows: u64) -> std::io::Result<()> {
    let mut file = BufWriter::new(std::fs::File::create(path)?);
    writeln!(file, "catalogNumber,eventDate,recordedBy,locality")?;
    for i in 0..rows {
        writeln!(file, "TVM {i},\"{}\",A. Vell,\"Tarn Head, by the lower gate\"", value(i))?;
    }
    file.flush()
}

fn peak_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let rows = arguments.iter().find_map(|a| a.parse().ok()).unwrap_or(1_000_000_u64);
    let python = arguments.iter().position(|a| a == "--python").and_then(|i| arguments.get(i + 1));
    let folder = tempfile::tempdir().expect("a temporary folder can be made");
    let table = folder.path().join("table.csv");
    write_table(&table, rows).expect("the table can be written");
    let per = |seconds: f64| seconds * 1e9 / rows as f64;

    let start = Instant::now();
    let mut reader = csv::Reader::from_path(&table).expect("the table can be read");
    let (mut record, mut fields) = (csv::ByteRecord::new(), 0);
    while reader.read_byte_record(&mut record).expect("the table is sound") {
        fields += record.len();
    }
    let read = start.elapsed().as_secs_f64();
    println!("csv crate, reading only: {read:.2} s, {:.0} ns a row ({fields} fields)", per(read));

    let start = Instant::now();
    let options = BatchOptions { file: table.clone(), ..BatchOptions::default() };
    let summary = run(&options, &mut std::io::sink()).expect("the table can be checked");
    let check = start.elapsed().as_secs_f64();
    println!(
        "the whole check: {check:.2} s, {:.0} ns a row, {:.2} times reading only; {} rows, peak memory {} MiB",
        per(check),
        check / read,
        summary.rows,
        peak_mib().map_or("?".into(), |m| m.to_string())
    );
    if rows > 2_000_000 {
        return;
    }

    let values: Vec<String> = (0..rows).map(value).collect();
    let rules = DateRules::built_in();
    let start = Instant::now();
    let read_dates = values.iter().filter(|v| parse_one(v, rules).has_date()).count();
    let ours = start.elapsed().as_secs_f64();
    println!("parse_one, one thread: {:.0} ns a value, {read_dates} of {rows} read", per(ours));

    let Some(python) = python else { return };
    let list = folder.path().join("values.txt");
    std::fs::write(&list, values.join("\n")).expect("the values can be written");
    let script = r#"
import sys, time, warnings
warnings.simplefilter("ignore")
values = open(sys.argv[1]).read().split("\n")
from dateutil.parser import parse
import dateparser
for name, f, values in (("dateutil", parse, values), ("dateparser", dateparser.parse, values[:20000])):
    read, start = 0, time.perf_counter()
    for v in values:
        try:
            read += f(v) is not None
        except (ValueError, OverflowError):
            pass
    seconds = time.perf_counter() - start
    print(name, seconds * 1e9 / len(values), read, len(values))
"#;
    let output = std::process::Command::new(python).arg("-c").arg(script).arg(&list).output();
    match output {
        Ok(output) => {
            for line in String::from_utf8_lossy(&output.stdout).lines() {
                let mut words = line.split(' ');
                let (name, each) = (words.next().unwrap_or(""), words.next().unwrap_or(""));
                let each: f64 = each.parse().unwrap_or(f64::NAN);
                let rest: Vec<&str> = words.collect();
                println!(
                    "{name}: {each:.0} ns a value, {} read; {:.0} times parse_one, {:.0} times the whole check",
                    rest.join(" of "),
                    each / per(ours),
                    each / per(check)
                );
            }
            if !output.status.success() {
                eprintln!("{}", String::from_utf8_lossy(&output.stderr));
            }
        }
        Err(e) => eprintln!("{python} cannot be run: {e}"),
    }
}
