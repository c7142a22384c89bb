//! Where the walker stands. The path is written only when there is something to tell.

use crate::json::push_name;
use std::fmt::Write as _;

/// A step of a FHIRPath and all before it, on the stack of the walk.
#[derive(Clone, Copy)]
pub(crate) enum At<'a> {
    /// The path of the resource.
    Root(&'a str),
    /// An element, by the name that a FHIRPath has for it.
    Element(&'a At<'a>, &'a str),
    /// An item of an element.
    Item(&'a At<'a>, usize),
}

impl At<'_> {
    /// The FHIRPath.
    pub fn path(self) -> String {
        let mut path = String::new();
        self.write(&mut path);
        path
    }

    fn write(self, path: &mut String) {
        match self {
            Self::Root(root) => path.push_str(root),
            Self::Element(before, name) => {
                before.write(path);
                push_name(path, name);
            }
            Self::Item(before, position) => {
                before.write(path);
                let _ = write!(path, "[{position}]");
            }
        }
    }
}
