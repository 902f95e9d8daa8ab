//! Chunks of RIFF files (Multimedia Programming Interface and Data Specifications 1.0, IBM and Microsoft, 1991).

/// A chunk: name, size, content, and a byte to make it even.
pub(super) fn chunk(name: &[u8; 4], content: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(content.len() + 9);
    bytes.extend_from_slice(name);
    bytes.extend_from_slice(&(content.len() as u32).to_le_bytes());
    bytes.extend_from_slice(content);
    if content.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

/// A chunk of chunks: "RIFF" or "LIST", and what kind.
pub(super) fn list(name: &[u8; 4], kind: &[u8; 4], chunks: &[Vec<u8>]) -> Vec<u8> {
    let mut content = kind.to_vec();
    chunks.iter().for_each(|chunk| content.extend_from_slice(chunk));
    chunk(name, &content)
}

/// Numbers of 32 bits, as they stand in files.
pub(super) fn words(numbers: &[u32]) -> Vec<u8> {
    numbers.iter().flat_map(|n| n.to_le_bytes()).collect()
}
