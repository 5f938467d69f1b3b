use crate::model::BlockPlan;
pub fn render(plan: &BlockPlan, title: &str) -> String { format!("{}{}", plan.id, title) }
