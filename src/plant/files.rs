//! Reads the files of a description: the only part of this floor that touches the disk.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Directories below the description's own are followed this deep.
const DEEPEST: usize = 4;
/// A larger file is not a description: refused before it is read.
const LARGEST_BYTES: u64 = 4 * 1024 * 1024;

/// A file of a description.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFile {
    /// Path relative to the description's directory, with `/` between its parts.
    pub name: String,
    /// All of it.
    pub text: String,
}

/// Why the files of a description could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// The directory or one of its files cannot be read.
    #[error("cannot read {}: {source}; check that it exists and may be read by this user", path.display())]
    Unreadable {
        /// Directory or file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// There is nothing to read.
    #[error("there is no *.toml file in {}; name the directory that holds the plant description", path.display())]
    Empty {
        /// The directory.
        path: PathBuf,
    },
    /// A pipe, a device or the like.
    #[error("{} is not a plain file; a description is made of plain texts, so move it elsewhere", path.display())]
    NotAFile {
        /// What stands there.
        path: PathBuf,
    },
    /// Far larger than any description.
    #[error("{} is larger than 4 MiB; a description is made of small texts, so move it elsewhere", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
    },
}

/// Reads every `*.toml` file below a directory, and every file below its `curves/`, sorted by name.
///
/// # Errors
/// [`ReadError`] when something cannot be read or there is nothing to read.
pub fn read(directory: &Path) -> Result<Vec<SourceFile>, ReadError> {
    let mut files = Vec::new();
    walk(directory, "", 0, &mut files)?;
    if !files.iter().any(|file| !file.name.starts_with("curves/")) {
        return Err(ReadError::Empty {
            path: directory.to_owned(),
        });
    }
    files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(files)
}

fn walk(
    directory: &Path,
    below: &str,
    depth: usize,
    files: &mut Vec<SourceFile>,
) -> Result<(), ReadError> {
    let unreadable = |path: &Path, source| ReadError::Unreadable {
        path: path.to_owned(),
        source,
    };
    for entry in fs::read_dir(directory).map_err(|source| unreadable(directory, source))? {
        let entry = entry.map_err(|source| unreadable(directory, source))?;
        let path = entry.path();
        let file_name = entry.file_name().to_string_lossy().into_owned();
        // Editors and version control leave hidden files behind.
        if file_name.starts_with('.') {
            continue;
        }
        let metadata = fs::metadata(&path).map_err(|source| unreadable(&path, source))?;
        let name = format!("{below}{file_name}");
        if metadata.is_dir() {
            if depth < DEEPEST {
                walk(&path, &format!("{name}/"), depth + 1, files)?;
            }
        } else if is_toml(&path) || name.starts_with("curves/") {
            if !metadata.is_file() {
                return Err(ReadError::NotAFile { path });
            }
            if metadata.len() > LARGEST_BYTES {
                return Err(ReadError::TooLarge { path });
            }
            let text = fs::read_to_string(&path).map_err(|source| unreadable(&path, source))?;
            files.push(SourceFile { name, text });
        }
    }
    Ok(())
}

fn is_toml(path: &Path) -> bool {
    path.extension()
        .is_some_and(|extension| extension == "toml")
}
