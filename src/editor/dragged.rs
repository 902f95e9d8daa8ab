//! What is dragged from one view to another.

/// A hit on its way to a pad: take and hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DraggedHit(pub usize, pub usize);

/// A pad on its way to another one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DraggedPad(pub usize);
