//! Coldledger only reads: no request that could change a device exists in its source.

use std::path::Path;

/// Names under which the Modbus library offers anything but reading registers, and its function
/// codes as other libraries name them.
const FORBIDDEN: [&str; 12] = [
    "WriteSingle",
    "WriteMultiple",
    "MaskWrite",
    "ReadWriteMultiple",
    "write_single",
    "write_multiple",
    "masked_write",
    "read_write_multiple",
    "Request::Custom",
    "Request::ReadCoils",
    "Request::ReadDiscrete",
    "client::Writer",
];

#[test]
fn no_source_file_names_a_writing_request() {
    let mut files = Vec::new();
    collect(
        &Path::new(env!("CARGO_MANIFEST_DIR")).join("src"),
        &mut files,
    );
    assert!(files.len() > 10, "the walk found {} files", files.len());
    let mut requests = 0;
    for (path, text) in &files {
        for name in FORBIDDEN {
            assert!(!text.contains(name), "{path} names {name}");
        }
        assert!(
            !text.contains("prelude::*") || !text.contains("tokio_modbus"),
            "{path} imports everything of the Modbus library, its writer included"
        );
        let uses = text.matches("Request::").count() - text.matches("ReadRequest::").count();
        if text.contains("tokio_modbus") {
            assert!(
                path.contains("acquisition"),
                "{path} speaks Modbus outside the polling"
            );
            requests += uses;
        }
    }
    assert_eq!(
        requests, 2,
        "exactly two requests exist: holding and input registers"
    );
}

fn collect(folder: &Path, files: &mut Vec<(String, String)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(&path, files);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            files.push((path.display().to_string(), text));
        }
    }
}
