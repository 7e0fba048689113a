//! A check of JSON against the part of JSON Schema (draft 2020-12) that the published schemas use.
//!
//! A keyword it does not know fails the check: nothing of a schema is passed over.

use serde_json::{Map, Value};

/// What is wrong with `value` by `schema`, one line each; empty when nothing is.
pub(crate) fn problems(schema: &Value, value: &Value) -> Vec<String> {
    let mut problems = Vec::new();
    Check { root: schema, problems: &mut problems }.any(schema, value, "");
    problems
}

struct Check<'a> {
    root: &'a Value,
    problems: &'a mut Vec<String>,
}

impl Check<'_> {
    fn any(&mut self, schema: &Value, value: &Value, at: &str) {
        match schema {
            Value::Bool(true) => {}
            Value::Object(keywords) => {
                for (keyword, wanted) in keywords {
                    self.keyword(keywords, (keyword, wanted), value, at);
                }
            }
            _ => self.problem(at, &format!("nothing is allowed by {schema}")),
        }
    }

    fn keyword(
        &mut self,
        schema: &Map<String, Value>,
        (keyword, wanted): (&str, &Value),
        value: &Value,
        at: &str,
    ) {
        match keyword {
            "$ref" => {
                let pointer = wanted.as_str().and_then(|name| name.strip_prefix('#'));
                match pointer.and_then(|pointer| self.root.pointer(pointer)) {
                    Some(target) => self.any(&target.clone(), value, at),
                    None => self.problem(at, &format!("the schema refers to {wanted}")),
                }
            }
            "type" if !types(wanted).any(|name| is_of_type(value, name)) => {
                self.problem(at, &format!("{value} is not of type {wanted}"));
            }
            "required" => {
                for name in wanted.as_array().into_iter().flatten().filter_map(Value::as_str) {
                    if value.is_object() && value.get(name).is_none() {
                        self.problem(at, &format!("'{name}' is missing"));
                    }
                }
            }
            "properties" => self.properties(wanted, value, at),
            "additionalProperties" => self.others(schema, wanted, value, at),
            "items" => {
                for (index, item) in value.as_array().into_iter().flatten().enumerate() {
                    self.any(wanted, item, &format!("{at}/{index}"));
                }
            }
            "anyOf" | "oneOf" => self.alternatives(keyword, wanted, value, at),
            "enum" if !wanted.as_array().is_some_and(|all| all.contains(value)) => {
                self.problem(at, &format!("{value} is none of {wanted}"));
            }
            "const" if wanted != value => self.problem(at, &format!("{value} is not {wanted}")),
            "minimum" if below(value, wanted) => {
                self.problem(at, &format!("{value} is less than {wanted}"));
            }
            "maximum" if below(wanted, value) => {
                self.problem(at, &format!("{value} is more than {wanted}"));
            }
            "minItems" if fewer(value, wanted) => {
                self.problem(at, &format!("{value} has fewer items than {wanted}"));
            }
            "maxItems" if more(value, wanted) => {
                self.problem(at, &format!("{value} has more items than {wanted}"));
            }
            // Kept, each by the value at hand.
            "type" | "enum" | "const" | "minimum" | "maximum" | "minItems" | "maxItems"
            // They annotate and restrict nothing; the formats are checked where their values are read.
            | "$schema" | "$defs" | "title" | "description" | "format" | "default" => {}
            unknown => self.problem(at, &format!("the keyword '{unknown}' is not known here")),
        }
    }

    fn properties(&mut self, wanted: &Value, value: &Value, at: &str) {
        for (name, schema) in wanted.as_object().into_iter().flatten() {
            if let Some(inner) = value.get(name) {
                self.any(schema, inner, &format!("{at}/{name}"));
            }
        }
    }

    fn others(&mut self, schema: &Map<String, Value>, wanted: &Value, value: &Value, at: &str) {
        let named = schema.get("properties").and_then(Value::as_object);
        for (name, inner) in value.as_object().into_iter().flatten() {
            if !named.is_some_and(|named| named.contains_key(name)) {
                self.any(wanted, inner, &format!("{at}/{name}"));
            }
        }
    }

    fn alternatives(&mut self, keyword: &str, wanted: &Value, value: &Value, at: &str) {
        let fits = |schema: &&Value| {
            let mut problems = Vec::new();
            Check { root: self.root, problems: &mut problems }.any(schema, value, at);
            problems.is_empty()
        };
        let fitting = wanted.as_array().into_iter().flatten().filter(fits).count();
        if fitting == 0 || (keyword == "oneOf" && fitting > 1) {
            self.problem(at, &format!("{value} fits {fitting} of the alternatives {wanted}"));
        }
    }

    fn problem(&mut self, at: &str, what: &str) {
        self.problems.push(format!("at '{at}': {what}"));
    }
}

fn types(wanted: &Value) -> impl Iterator<Item = &str> {
    let one = std::iter::once(wanted);
    one.chain(wanted.as_array().into_iter().flatten()).filter_map(Value::as_str)
}

fn is_of_type(value: &Value, name: &str) -> bool {
    match name {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_i64() || value.is_u64(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        _ => false,
    }
}

fn below(value: &Value, bound: &Value) -> bool {
    value.as_f64().zip(bound.as_f64()).is_some_and(|(value, bound)| value < bound)
}

fn fewer(value: &Value, least: &Value) -> bool {
    value.as_array().zip(least.as_u64()).is_some_and(|(items, least)| (items.len() as u64) < least)
}

fn more(value: &Value, most: &Value) -> bool {
    value.as_array().zip(most.as_u64()).is_some_and(|(items, most)| items.len() as u64 > most)
}
