//! What each mark on paper is to somebody who hears the document.
//!
//! Must never leave a mark without a place in the tree, unless it is one that says nothing.

use krilla::tagging::{Identifier, Node, TagGroup, TagKind, TagTree};

/// A group of the tree by its number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Group(usize);

#[derive(Debug)]
enum Child {
    Group(Group),
    Leaf(Identifier),
}

#[derive(Debug)]
struct Branch {
    kind: Option<TagKind>,
    children: Vec<Child>,
}

/// The tree while it grows: groups as elements are set, leaves as marks are drawn.
#[derive(Debug)]
pub(crate) struct Tags {
    branches: Vec<Branch>,
}

impl Tags {
    /// The whole document.
    pub(crate) const ROOT: Group = Group(0);
    /// What says nothing: rules, heads that are repeated, heads and feet of pages.
    pub(crate) const NOWHERE: Group = Group(1);

    pub(crate) fn new() -> Tags {
        let empty = || Branch { kind: None, children: Vec::new() };
        Tags { branches: vec![empty(), empty()] }
    }

    /// A group in another, after those that it has.
    pub(crate) fn group(&mut self, within: Group, kind: impl Into<TagKind>) -> Group {
        if within == Tags::NOWHERE {
            return Tags::NOWHERE;
        }
        let group = Group(self.branches.len());
        self.branches.push(Branch { kind: Some(kind.into()), children: Vec::new() });
        self.branches[within.0].children.push(Child::Group(group));
        group
    }

    pub(crate) fn leaf(&mut self, within: Group, leaf: Identifier) {
        self.branches[within.0].children.push(Child::Leaf(leaf));
    }

    pub(crate) fn kind_mut(&mut self, group: Group) -> Option<&mut TagKind> {
        self.branches[group.0].kind.as_mut()
    }

    pub(crate) fn tree(mut self, language: &str) -> TagTree {
        let mut tree = TagTree::new().with_lang(Some(language.to_owned()));
        for node in self.nodes(Tags::ROOT) {
            tree.push(node);
        }
        tree
    }

    fn nodes(&mut self, group: Group) -> Vec<Node> {
        let children = std::mem::take(&mut self.branches[group.0].children);
        let node = |child| match child {
            Child::Leaf(leaf) => Some(Node::Leaf(leaf)),
            Child::Group(group) => {
                let nodes = self.nodes(group);
                let kind = self.branches[group.0].kind.clone()?;
                Some(Node::Group(TagGroup::with_children(kind, nodes)))
            }
        };
        children.into_iter().filter_map(node).collect()
    }
}
