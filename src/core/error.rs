//! The library's error type: a sentence for the person who can act on it.

use std::path::Path;

/// What went wrong, in one sentence: what happened, to which file or pad, what to do.
///
/// The window shows it, the command line prints it and exits with 2.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Error {
    /// A file could not be read or written, or does not hold what it should.
    #[error("{file}: {trouble}")]
    File {
        /// The path as the user gave it.
        file: String,
        /// What is wrong and what to do about it.
        trouble: String,
    },
    /// A kit, setting or request that is not valid.
    #[error("{0}")]
    Invalid(String),
    /// The user stopped the work; what it had not finished was not kept.
    #[error("cancelled; unfinished work was not kept")]
    Cancelled,
}

/// Result with [`Error`].
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// A [`Error::File`] about `path`; `trouble` says what is wrong and what to do.
    pub fn file(path: impl AsRef<Path>, trouble: impl Into<String>) -> Self {
        Self::File { file: path.as_ref().display().to_string(), trouble: trouble.into() }
    }

    /// An [`Error::Invalid`]; `trouble` is the whole sentence.
    pub fn invalid(trouble: impl Into<String>) -> Self {
        Self::Invalid(trouble.into())
    }
}

/// A message without the numbers that systems give their errors: " (os error 2)".
pub fn without_codes(text: &str) -> String {
    let Some((before, rest)) = text.split_once(" (os error ") else { return text.to_owned() };
    match rest.split_once(')') {
        Some((code, after)) if code.bytes().all(|b| b.is_ascii_digit()) => {
            format!("{before}{}", without_codes(after))
        }
        _ => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_the_system_are_left_out_and_all_else_stays() {
        let text = "/a/b: could not be read (No such file (os error 2)); try again";
        assert_eq!(without_codes(text), "/a/b: could not be read (No such file); try again");
        assert_eq!(without_codes("a (os error x) b"), "a (os error x) b");
        assert_eq!(without_codes("plain"), "plain");
    }
}
